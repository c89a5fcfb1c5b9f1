package deliver

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// mortal is a store whose process dies at a named point: from then on nothing
// is recorded any more. "before X" dies before call X does anything, "after X"
// once it is in the journal; "sent" once the other side has the message.
type mortal struct {
	Store
	point string
	dead  atomic.Bool
	die   func()
}

var errDead = errors.New("the process is dead")

func (m *mortal) at(call string, do func() error) error {
	if m.dead.Load() {
		return errDead
	}
	if m.point == "before "+call {
		m.dead.Store(true)
		m.die()
		return errDead
	}
	err := do()
	if m.point == "after "+call {
		m.dead.Store(true)
		m.die()
		return errDead
	}
	return err
}

func (m *mortal) Queue(ctx context.Context, d []journal.Delivery) error {
	return m.at("queue", func() error { return m.Store.Queue(ctx, d) })
}

func (m *mortal) MarkStarted(ctx context.Context, id int64, at time.Time) error {
	return m.at("started", func() error { return m.Store.MarkStarted(ctx, id, at) })
}

func (m *mortal) MarkDone(ctx context.Context, id int64, at time.Time, outcome, text string) error {
	return m.at("done", func() error { return m.Store.MarkDone(ctx, id, at, outcome, text) })
}

func (m *mortal) Set(ctx context.Context, k, v string) error {
	return m.at("set", func() error { return m.Store.Set(ctx, k, v) })
}

// dying is a channel whose process may die when the message is out.
type dying struct {
	Channel
	m *mortal
}

func (d dying) Send(ctx context.Context, n Note) error {
	err := d.Channel.Send(ctx, n)
	if err == nil && d.m.point == "sent" {
		d.m.dead.Store(true)
		d.m.die()
	}
	return err
}

func deathOf(t *testing.T, died <-chan struct{}) {
	t.Helper()
	select {
	case <-died:
	case <-time.After(5 * time.Minute):
		t.Fatal("the process did not come to the point where it dies")
	}
}

// wall is a clock for the real journal that a test sets.
type wall struct{ micros atomic.Int64 }

func (w *wall) Now() time.Time     { return time.UnixMicro(w.micros.Load()).UTC() }
func (w *wall) set(t time.Time)    { w.micros.Store(t.UnixMicro()) }
func at(minutes float64) time.Time { return base.Add(time.Duration(minutes * float64(time.Minute))) }

func settled(ds []journal.Delivery) bool {
	return !slices.ContainsFunc(ds, func(d journal.Delivery) bool { return d.Done == nil && d.N == 1 })
}

// Wherever the daemon dies, the telling is not lost, comes at most twice, and
// the next one is queued once. With the real journal.
func TestKilledAtEveryPointNothingIsLostAndOneIsDoubledAtMost(t *testing.T) {
	tellings := map[string]int{
		"before started": 1, "after started": 1, "before queue": 2, "after queue": 2, "before done": 2, "after done": 1,
		"sent": 2, "before set": 1, "after set": 1,
	}
	for point, want := range tellings {
		t.Run(point, func(t *testing.T) {
			a := ring("crash-now", "urgent", base)
			j := journalWith(t, a)
			require.NoError(t, j.Queue(t.Context(), Plan(a, []string{"phone"}, base)))
			clock := &wall{}
			clock.set(base)
			p := &phone{name: "phone"}

			died := make(chan struct{})
			m := &mortal{Store: j, point: point, die: sync.OnceFunc(func() { close(died) })}
			_, stop := running(t, m, Options{Now: clock.Now, Poll: 5 * time.Millisecond, Grace: 50 * time.Millisecond}, dying{p, m})
			deathOf(t, died)
			stop()

			b, stop := running(t, j, Options{Now: clock.Now, Poll: 5 * time.Millisecond, Grace: 50 * time.Millisecond}, p)
			require.Eventually(t, func() bool {
				ds, err := j.Deliveries(t.Context(), a.ID)
				return err == nil && settled(ds)
			}, 5*time.Minute, 5*time.Millisecond)
			b.Wake()
			stop()
			require.Len(t, p.got, want)
			ds, err := j.Deliveries(t.Context(), a.ID)
			require.NoError(t, err)
			require.Len(t, ds, 2, "the next telling is queued, once")
			require.Equal(t, accepted, ds[0].Outcome)
			require.Equal(t, []any{2, at(5)}, []any{ds[1].N, ds[1].Due})
		})
	}
}

// The same while the phone is dead and the letter stands in for it: killed at
// every point of the letter's telling, it is told, at most twice.
func TestKilledWhileTheLetterStandsIn(t *testing.T) {
	for _, point := range []string{"before started", "after started", "sent", "before queue", "after queue", "before done", "after done", "before set", "after set"} {
		t.Run(point, func(t *testing.T) {
			a := ring("crash-now", urgent, base)
			j := journalWith(t, a)
			require.NoError(t, j.Queue(t.Context(), Plan(a, []string{"phone", "letter"}, base)))
			clock := &wall{}
			clock.set(base)
			p, letter, _ := pair()
			p.answer = func(context.Context, int) error { return &Error{Fault: Curable, text: "answered 401"} }
			rung := func(c Channel) Rung { return Rung{Channel: c, Second: true, After: quarter} }
			o := Options{Now: clock.Now, Poll: 5 * time.Millisecond, Grace: 50 * time.Millisecond}
			dead, err := record{}.failed(base, &Error{Fault: Curable, text: "answered 401"}).encode()
			require.NoError(t, err)
			require.NoError(t, j.Set(t.Context(), recordKey("phone"), dead))

			died := make(chan struct{})
			m := &mortal{Store: j, point: point, die: sync.OnceFunc(func() { close(died) })}
			_, stop := running(t, m, o, p, rung(dying{letter, m}))
			deathOf(t, died)
			stop()
			_, stop = running(t, j, o, p, rung(letter))
			require.Eventually(t, func() bool {
				ds, err := j.Deliveries(t.Context(), a.ID)
				return err == nil && len(ds) > 1 && ds[1].Outcome == accepted
			}, 5*time.Minute, 5*time.Millisecond)
			stop()
			require.Contains(t, []int{1, 2}, len(letter.got))
			ds, err := j.Deliveries(t.Context(), a.ID)
			require.NoError(t, err)
			require.Len(t, ds, 3, "the letter's next telling is queued, once")
			require.Nil(t, ds[0].Done, "the phone is still tried")
		})
	}
}

// A hundred restarts in ten minutes of an unanswered crash-now: one message for
// each time it was due, and what was acknowledged stays so.
func TestAStormOfRestartsTellsOnceEachTimeItIsDue(t *testing.T) {
	a := ring("crash-now", "urgent", base)
	j := journalWith(t, a)
	require.NoError(t, j.Queue(t.Context(), Plan(a, []string{"phone"}, base)))
	clock := &wall{}
	p := &phone{name: "phone"}
	for i := range 100 {
		clock.set(at(float64(i) / 10))
		_, stop := running(t, j, Options{Now: clock.Now, Poll: time.Millisecond}, p)
		due, err := j.Due(t.Context(), clock.Now(), 0)
		require.NoError(t, err)
		if len(due) > 0 {
			require.Eventually(t, func() bool {
				due, err := j.Due(t.Context(), clock.Now(), 0)
				return err == nil && len(due) == 0
			}, 2*time.Minute, time.Millisecond)
		}
		stop()
	}
	require.Equal(t, []string{key(a.ID, 1), key(a.ID, 2)}, p.keys, "at 0 and at 5 minutes")

	_, err := j.Acknowledge(t.Context(), a.ID, clock.Now())
	require.NoError(t, err)
	clock.set(at(25))
	_, stop := running(t, j, Options{Now: clock.Now, Poll: time.Millisecond}, p)
	require.Eventually(t, func() bool {
		ds, err := j.Deliveries(t.Context(), a.ID)
		return err == nil && len(ds) == 3 && ds[2].Outcome == dropped
	}, 2*time.Minute, time.Millisecond)
	stop()
	require.Len(t, p.keys, 2)
}

// The ladder is not started again by restarts: the letter comes a quarter of an
// hour after the alert, not after the last of them.
func TestAStormOfRestartsDoesNotResetTheLadder(t *testing.T) {
	a := ring("crash-now", urgent, base)
	j := journalWith(t, a)
	require.NoError(t, j.Queue(t.Context(), Plan(a, []string{"phone", "letter"}, base)))
	clock := &wall{}
	p, letter, rungs := pair()
	var lettersAt []time.Time
	letter.read = func(Note) { lettersAt = append(lettersAt, clock.Now()) }
	for i := range 160 { // every six seconds for sixteen minutes
		clock.set(at(float64(i) / 10))
		ctx, cancel := context.WithCancel(t.Context())
		b := NewOutbox(j, ladder(rungs), Options{Now: clock.Now})
		var workers sync.WaitGroup
		for _, w := range b.order {
			w.recall(ctx)
			workers.Go(func() { w.run(ctx, ctx) })
		}
		for range 2 { // so that what a telling queues is looked at too
			b.look(ctx)
			require.Eventually(t, func() bool {
				b.mu.Lock()
				defer b.mu.Unlock()
				return len(b.inHand) == 0
			}, 2*time.Minute, time.Millisecond)
		}
		cancel()
		workers.Wait()
	}
	require.Equal(t, []string{key(a.ID, 1), key(a.ID, 2)}, p.keys)
	require.Equal(t, []time.Time{at(15)}, lettersAt)

	answered, err := j.Acknowledge(t.Context(), a.ID, clock.Now())
	require.NoError(t, err)
	require.True(t, answered)
	again, err := j.Alert(t.Context(), a.ID)
	require.NoError(t, err)
	require.Equal(t, at(15.9), *again.Acknowledged)
}
