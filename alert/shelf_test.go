package alert

import (
	"errors"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/projection"
)

// boards is a shelf in memory.
type boards struct {
	parts  map[int64][]byte
	last   int64
	broken error // of Get
	full   error // of Put
}

func (b *boards) Put(part []byte) (int64, error) {
	if b.full != nil {
		return 0, b.full
	}
	if b.last++; b.parts == nil {
		b.parts = map[int64][]byte{}
	}
	b.parts[b.last] = slices.Clone(part)
	return b.last, nil
}

func (b *boards) Get(name int64) ([]byte, error) {
	part, there := b.parts[name]
	if !there {
		return nil, errors.New("no such part")
	}
	return part, b.broken
}

func (b *boards) Drop(names ...int64) {
	for _, n := range names {
		delete(b.parts, n)
	}
}

// parking keeps a watch on a shelf between any two uses.
type parking struct {
	boards
	batch projection.Batch
	opts  Options
	lies  *Parked
}

func (p *parking) again(t require.TestingT, w *Watch) *Watch {
	lies, err := w.Park(p)
	require.NoError(t, err)
	require.Equal(t, w.Now(), lies.Now)
	require.Equal(t, w.Next(), lies.Next)
	p.lies.Clear(p, lies)
	p.lies = lies
	require.Len(t, p.parts, len(lies.parts), "nothing else stays on the shelf")
	w, err = Unpark(p.batch, p.opts, p, lies)
	require.NoError(t, err)
	return w
}

// Law: parked after every act, with late inputs and entries struck, a watch says
// what one says that never was; and nothing is left on the shelf.
func TestParkedWatchGoesOnAsIfNeverParked(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		never, _ := newSummed(t)
		parked, s := newSummed(t)
		p := &parking{batch: brew(), opts: nightly(s)}
		var a, b []Event
		for _, act := range acts(t) {
			a = append(a, act.do(never)...)
			b = append(b, act.do(parked)...)
			if rapid.IntRange(0, 3).Draw(t, "park") > 0 {
				parked = p.again(t, parked)
			}
			require.Equal(t, never.Next(), parked.Next())
			require.Equal(t, Sentence(brew(), never.State()), Sentence(brew(), parked.State()))
		}
		end := never.Now().Add(50 * time.Hour)
		require.Equal(t, lines(t, append(a, never.Tick(end)...)), lines(t, append(b, parked.Tick(end)...)))
		require.NoError(t, s.wrong)
		require.NoError(t, parked.Fault())
		p.lies.Clear(p, nil)
		require.Empty(t, p.parts)
	})
}

// Law: a reading that is late by minutes costs a parked watch the few looks since
// the copy of the hour before, not all since the pitch.
func TestALateReadingCostsAParkedWatchNoMore(t *testing.T) {
	s := &scripts{script: sums}
	w, err := NewWatch(brew(), Options{believe: s})
	require.NoError(t, err)
	p := &parking{batch: brew(), opts: Options{believe: s}}
	for k := range 40 * 4 {
		at := pitch.Add(time.Duration(k) * 15 * time.Minute)
		w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
		w.Tick(at.Add(2 * time.Minute))
		w = p.again(t, w)
	}
	require.Greater(t, len(w.past.recent), 2)
	late := w.Now().Add(-20 * time.Minute)
	w.Observe(w.Now(), projection.Observation{Time: late, Sensor: "float-1", Quantity: projection.Temperature, Value: 18})
	w = p.again(t, w)
	c := w.past.rewind(*w.late)
	require.LessOrEqual(t, w.Now().Sub(c.at), 2*time.Hour)
}

// With the real estimator: parked between any two messages, with readings an hour
// late among them, the watch says the same.
func TestEstimatorGoesOnFromTheShelf(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	never, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	parked, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	p := &parking{batch: tank(1.0155)}
	var a, b []Event
	var held []projection.Observation
	messages := capture(t, "faults-00", 20*time.Hour)
	for i, m := range messages {
		obs := m.obs
		if i%13 == 7 {
			held, obs = m.obs, nil
		}
		if i%13 == 11 {
			obs = append(slices.Clone(obs), held...)
		}
		a, b = append(a, never.Observe(m.at, obs...)...), append(b, parked.Observe(m.at, obs...)...)
		parked = p.again(t, parked)
	}
	require.Greater(t, len(a), len(messages)/2)
	require.Equal(t, lines(t, a), lines(t, b))
	want, err := never.Snapshot()
	require.NoError(t, err)
	got, err := parked.Snapshot()
	require.NoError(t, err)
	w1, err := RestoreWatch(tank(1.0155), Options{}, want)
	require.NoError(t, err)
	w2, err := RestoreWatch(tank(1.0155), Options{}, got)
	require.NoError(t, err)
	end := never.Now().Add(2 * time.Hour)
	require.Equal(t, lines(t, w1.Tick(end)), lines(t, w2.Tick(end)), "a snapshot of one that lay on the shelf is as good")
}

// Law: what cannot be put aside stays as it is, with nothing left behind; what
// cannot be read is said, never guessed.
func TestAShelfThatFails(t *testing.T) {
	w, s := newSummed(t)
	b := &boards{full: errors.New("no space")}
	w.Tick(pitch.Add(30 * time.Hour))
	_, err := w.Park(b)
	require.ErrorIs(t, err, b.full)
	require.ErrorContains(t, err, brew().ID)
	require.Empty(t, b.parts)
	b.full = nil
	lies, err := w.Park(b)
	require.NoError(t, err)
	parked, err := Unpark(brew(), nightly(s), b, lies)
	require.NoError(t, err)
	b.broken = errors.New("damaged")
	late := pitch.Add(26 * time.Hour)
	parked.Observe(parked.Now(), projection.Observation{Time: late, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	require.NoError(t, parked.Fault())
	parked.Tick(parked.Next())
	require.ErrorIs(t, parked.Fault(), b.broken)
	_, err = parked.Park(b)
	require.ErrorIs(t, err, b.broken)
	_, err = Unpark(brew(), nightly(s), b, lies)
	require.ErrorIs(t, err, b.broken)
}

// Law: who holds what a watch found holds neither the watch nor its belief, so
// that a parked one leaves the memory.
func TestAParkedWatchLeavesTheMemory(t *testing.T) {
	var b boards
	gone := make(chan bool, 2)
	found := func() (st State, said []Event) {
		w, err := NewWatch(tank(1.0155), Options{})
		require.NoError(t, err)
		for _, m := range capture(t, "plain-00", 4*time.Hour) {
			said = append(said, w.Observe(m.at, m.obs...)...)
		}
		runtime.AddCleanup(w, func(c chan bool) { c <- true }, gone)
		runtime.AddCleanup(w.course.belief.(estimator).Estimator, func(c chan bool) { c <- true }, gone)
		_, err = w.Park(&b)
		require.NoError(t, err)
		return w.State(), said
	}
	st, said := found()
	for range 2 {
		require.Eventually(t, func() bool { runtime.GC(); return len(gone) > 0 }, time.Minute, time.Millisecond)
		<-gone
	}
	require.NotNil(t, st.Estimate)
	require.NotEmpty(t, said)
	runtime.KeepAlive(st)
	runtime.KeepAlive(said)
}
