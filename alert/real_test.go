package alert

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// tank is the batch of the captures named plain, with its gravity at pitch.
func tank(og gravity.SG) projection.Batch {
	b := brew()
	b.OriginalGravity, b.Crash.TimeConstant = og, 7*time.Hour
	return b
}

// With the real estimator: readings that come a day late, in one heap, lead to
// the belief of readings in time, also over a restart in between.
func TestEstimatorBelievesLateReadingsAsReadingsInTime(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	messages := capture(t, "plain-00", 14*time.Hour)
	intime, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	late, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	var held []projection.Observation
	for i, m := range messages {
		intime.Observe(m.at, m.obs...)
		if i > 8 && i%4 != 0 {
			held = append(held, m.obs...)
			continue
		}
		late.Observe(m.at, m.obs...)
	}
	data, err := late.Snapshot()
	require.NoError(t, err)
	restored, err := RestoreWatch(tank(1.0155), Options{}, data)
	require.NoError(t, err)
	end := messages[len(messages)-1].at.Add(16 * time.Minute)
	for _, w := range []*Watch{late, restored} {
		w.Observe(w.Now(), held...)
		w.Tick(end)
	}
	intime.Tick(end)
	require.Equal(t, intime.State().Estimate, late.State().Estimate)
	require.Equal(t, intime.State().Projection, late.State().Projection)
	require.Equal(t, intime.State().Projection, restored.State().Projection)
}

// With the real estimator: stopped and taken up again at any time, the watch
// says the same.
func TestEstimatorGoesOnAfterARestart(t *testing.T) {
	never, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	stopped, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	var a, b []Event
	for i, m := range capture(t, "faults-00", 20*time.Hour) {
		a = append(a, never.Observe(m.at, m.obs...)...)
		b = append(b, stopped.Observe(m.at, m.obs...)...)
		if i%17 == 5 {
			data, err := stopped.Snapshot()
			require.NoError(t, err)
			stopped, err = RestoreWatch(tank(1.0155), Options{}, data)
			require.NoError(t, err)
		}
	}
	require.NotEmpty(t, a)
	require.Equal(t, lines(t, a), lines(t, b))
}

// The float dies ten hours before the crash is due; the estimator believes on
// and the clock rings, no later than the time that was told last, and soon enough
// in truth.
func TestSilenceDoesNotDelayTheCrash(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	messages := capture(t, "plain-03", 7*24*time.Hour)
	b := tank(1.0145)
	heard, err := NewWatch(b, Options{})
	require.NoError(t, err)
	var due time.Time
	for _, m := range messages {
		if heard.Observe(m.at, m.obs...); heard.book.open(CrashNow) {
			due = m.at
			break
		}
	}
	require.False(t, due.IsZero())
	deaf, err := NewWatch(b, Options{})
	require.NoError(t, err)
	s := &story{t: t, w: deaf, b: b}
	for _, m := range messages {
		if m.at.Before(due.Add(-10 * time.Hour)) {
			s.hear(deaf.Observe(m.at, m.obs...))
		}
	}
	after := deaf.Tick(due.Add(24 * time.Hour))
	s.hear(after)
	i := slices.IndexFunc(after, func(e Event) bool { return e.Alert != nil && e.Alert.Kind == CrashNow })
	require.GreaterOrEqual(t, i, 0, s.out.String())
	rang := after[i].Time
	var by *time.Time // told last
	for _, e := range after[:i+1] {
		if e.Projection != nil {
			by = e.Projection.CrashBy
		}
	}
	require.NotNil(t, by)
	require.False(t, rang.After(*by), "rang at %v, crash by %v", rang, *by)
	begun := int(rang.Add(b.ResponseTime).Sub(pitch).Hours()) + 1
	require.LessOrEqual(t, truthOf(t, "plain-03").crashed[begun], float64(b.Ceiling.Limit), "crashed in the hour after it rang, %v, the beer must hold its ceiling", rang.Sub(pitch))
	t.Logf("due at %v with readings; rang at %v without", due.Sub(pitch), rang.Sub(pitch))
	require.GreaterOrEqual(t, s.raised(CrashNow), 1, s.out.String())
	require.Equal(t, 1, s.raised(SensorSilent), s.out.String())
	require.Contains(t, s.out.String(), "this rests on the projection alone")
}

// A float that shows the original gravity for two days: wort that is not
// protected.
func TestWortThatDoesNotFermentIsToldOf(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	s := &story{t: t, w: w, b: tank(1.0155)}
	for i := range 48 * 2 {
		at := pitch.Add(time.Duration(i) * 30 * time.Minute)
		s.hear(w.Observe(at,
			projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0157 + 0.0003*float64(i%5-2)},
			projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Temperature, Value: 18 + 0.2*float64(i%3)}))
	}
	require.Equal(t, 1, s.raised(NotStarted), s.out.String())
	require.Zero(t, s.raised(CrashNow), s.out.String())
}

// FuzzRestore: a snapshot that was damaged is refused or taken, never a panic.
func FuzzRestore(f *testing.F) {
	s := &scripts{script: sums}
	w, err := NewWatch(brew(), Options{believe: s})
	require.NoError(f, err)
	w.Observe(pitch.Add(time.Hour), projection.Observation{Time: pitch.Add(time.Hour), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	w.Tick(pitch.Add(30 * time.Hour))
	data, err := w.Snapshot()
	require.NoError(f, err)
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add([]byte{})
	f.Fuzz(func(_ *testing.T, data []byte) {
		w, err := RestoreWatch(brew(), Options{believe: s}, data)
		if err != nil {
			return
		}
		// Times far off are no concern of the law; a bounded look is.
		if w.Next().Before(pitch.AddDate(1, 0, 0)) {
			w.Tick(w.Next())
		}
		_ = Sentence(brew(), w.State())
	})
}

// Twelve hours are queued by a broker, and the device has no clock: all of them
// come at once, with the time of their arrival. Only the last tells what the beer
// is, for the mean of the heap is what it was six hours ago.
func TestAQueueWithoutClocksTellsOfThePresentOnly(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	down, back := 18*time.Hour, 30*time.Hour
	messages := capture(t, "plain-00", back+10*time.Hour)
	pitched := tank(1.0155).PitchedAt
	var heap, last, intime *Watch
	for _, w := range []**Watch{&heap, &last, &intime} {
		var err error
		*w, err = NewWatch(tank(1.0155), Options{})
		require.NoError(t, err)
	}
	queued := 0
	for i, m := range messages {
		intime.Observe(m.at, m.obs...)
		at := m.at
		if since := at.Sub(pitched); since >= down && since < back {
			at = pitched.Add(back).Add(time.Duration(queued-100) * 5 * time.Millisecond)
			queued++
		}
		obs := slices.Clone(m.obs)
		for k := range obs {
			obs[k].Time = at
		}
		heap.Observe(at, obs...)
		if next := i + 1; at.Equal(m.at) || messages[next].at.Sub(pitched) >= back {
			last.Observe(at, obs...)
		}
	}
	require.Equal(t, 48, queued)
	end := pitched.Add(back + 10*time.Hour + time.Minute)
	for _, w := range []*Watch{heap, last, intime} {
		w.Tick(end)
	}
	require.Equal(t, last.State().Estimate, heap.State().Estimate)
	e, want := heap.State().Estimate, intime.State().Estimate
	require.InDelta(t, float64(want.Gravity), float64(e.Gravity), float64(e.GravitySD), "%+v, in time %+v", e, want)
}

// A batch is begun ten hours after its pitch, and no float had been heard: the
// crash is called, because a fast beer would be near. As soon as its float shows
// that it is not, that is over; nobody is to act on it for another hour.
func TestACrashCalledBlindlyIsTakenBackAtFirstSight(t *testing.T) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	begun := 12 * time.Hour
	w.Tick(pitch.Add(begun))
	require.Contains(t, w.State().Open, CrashNow)
	for _, m := range capture(t, "plain-00", begun+40*time.Minute) {
		if m.at.Sub(pitch) > begun {
			w.Observe(m.at, m.obs...)
		}
	}
	w.Tick(pitch.Add(begun + 45*time.Minute))
	require.NotContains(t, w.State().Open, CrashNow)
}
