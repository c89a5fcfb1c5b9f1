package deliver

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/ingest/journal"
)

// flood queues n alerts of their own at once.
func flood(t *testing.T, m *memory, severity, channel string, n int) {
	t.Helper()
	for i := range n {
		a := ring("sensor-suspect", severity, time.Now())
		a.ID = fmt.Sprintf("pale-wheat-12/%s/%d", severity, i+1)
		m.change(a.ID, func(old *journal.Alert) { *old = a })
		require.NoError(t, m.Queue(t.Context(), Plan(a, []string{channel}, time.Now())))
	}
}

// Law: what a budget holds back is told to be held, comes later, and does not
// hold back what is urgent.
func TestAFloodIsHeldBackAndNothingIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var last string
		p := &phone{name: "phone"}
		p.read = func(n Note) { last = n.Alert.Message }
		m := newMemory()
		flood(t, m, "warning", "phone", 50)
		b, stop := running(t, m, Options{}, p)
		pass(10 * time.Minute)
		require.Len(t, p.told(), 20)
		p.with(func() {
			require.Contains(t, last, "message 20 here within an hour: further ones wait, up to 60 minutes, but urgent ones still come")
		})
		require.Equal(t, 30, b.Status()[0].Held)

		flood(t, m, urgent, "phone", 1)
		pass(2 * time.Second)
		require.Len(t, p.told(), 21, "what is urgent is not held")
		m.change("pale-wheat-12/urgent/1", func(a *journal.Alert) { a.Resolved = ptr(time.Now()) })

		pass(3 * time.Hour)
		stop()
		require.Len(t, p.told(), 51)
		require.Zero(t, b.Status()[0].Held)
		for _, d := range m.all() {
			require.NotNil(t, d.Done)
		}
	})
}

// What is urgent has a bound too: no phone is rung a hundred times an hour.
func TestUrgentOnesHaveABound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var last string
		p := &phone{name: "phone"}
		p.read = func(n Note) { last = n.Alert.Message }
		m := newMemory()
		flood(t, m, urgent, "phone", 20)
		_, stop := running(t, m, Options{}, Rung{Channel: p, PerHour: 5})
		pass(30 * time.Minute)
		require.Len(t, p.told(), 15)
		p.with(func() { require.Contains(t, last, "message 15 here within an hour: further ones wait") })
		p.with(func() { require.NotContains(t, last, "urgent ones still come") })
		p.with(func() { require.Contains(t, last, "but a new crash that must start is told at once") })
		pass(time.Hour)
		stop()
		require.Len(t, p.told(), 30, "fifteen more in the next")
	})
}

// Law: the first word of a crash that must start waits for nothing: not for room,
// nor behind what is not sent yet.
func TestAFloodHoldsNoCrashBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var heard []string
		p := &phone{name: "phone"}
		p.answer = func(context.Context, int) error { time.Sleep(5 * time.Second); return nil } // a slow one
		p.read = func(n Note) { heard = append(heard, n.Alert.Kind) }
		m := newMemory()
		flood(t, m, urgent, "phone", 100)
		_, stop := running(t, m, Options{}, Rung{Channel: p, PerHour: 5})
		tell := func(id string) {
			a := ring("crash-now", urgent, time.Now())
			a.ID = id
			m.change(a.ID, func(old *journal.Alert) { *old = a })
			require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone"}, time.Now())))
		}
		pass(3 * time.Second)
		tell("pale-wheat-12/crash-now/1")
		pass(8 * time.Second)
		p.with(func() { require.Equal(t, 1, count(heard, "crash-now"), "the next after the one under way") })
		pass(2 * time.Minute)
		p.with(func() { require.Len(t, heard, 15, "no room is left") })
		tell("dark-rye-3/crash-now/1")
		pass(6 * time.Second)
		p.with(func() { require.Equal(t, 2, count(heard, "crash-now")) })
		pass(20 * time.Minute)
		p.with(func() { require.Equal(t, 2, count(heard, "crash-now"), "repeats have the bound of all") })
		stop()
	})
}

// unread is a store that cannot read some alerts.
type unread struct {
	*memory
	lost func(id string) bool
}

func (u unread) Alert(ctx context.Context, id string) (journal.Alert, error) {
	if u.lost(id) {
		return journal.Alert{}, errors.New("the disk does not answer")
	}
	return u.memory.Alert(ctx, id)
}

// Law: what cannot be read, however much of it and however urgent, is in nobody's way.
func TestWhatCannotBeReadHoldsNothingBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		var mended atomic.Bool
		u := unread{newMemory(), func(id string) bool {
			return id != "pale-wheat-5/crash-now/1" && (id != "pale-wheat-2/crash-now/1" || !mended.Load())
		}}
		for i := range 6 {
			a := ring("crash-now", urgent, time.Now())
			a.ID = fmt.Sprintf("pale-wheat-%d/crash-now/1", i)
			u.change(a.ID, func(old *journal.Alert) { *old = a })
			require.NoError(t, u.Queue(t.Context(), Plan(a, []string{"phone"}, time.Now())))
		}
		_, stop := running(t, u, Options{}, p)
		pass(10 * time.Second)
		require.Equal(t, []string{key("pale-wheat-5/crash-now/1", 1)}, p.told())
		mended.Store(true)
		pass(10 * time.Second)
		stop()
		require.Contains(t, p.told(), key("pale-wheat-2/crash-now/1", 1), "it is tried again")
	})
}

func count(all []string, what string) (n int) {
	for _, one := range all {
		if one == what {
			n++
		}
	}
	return n
}

// What waits for room may be answered meanwhile; then it is not sent.
func TestAnAnswerEmptiesTheBudgetsQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m := newMemory()
		flood(t, m, "warning", "phone", 2)
		_, stop := running(t, m, Options{}, Rung{Channel: p, PerHour: 1})
		pass(time.Minute)
		m.change("pale-wheat-12/warning/2", func(a *journal.Alert) { a.Acknowledged = ptr(time.Now()) })
		pass(2 * time.Hour)
		stop()
		require.Len(t, p.told(), 1)
		require.Equal(t, []string{dropped, "acknowledged"}, []string{m.all()[1].Outcome, m.all()[1].Error})
	})
}

func TestTheBudgetOfAnyHourHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 30).Draw(t, "limit")
		var sent, recent []time.Time
		now := base
		for range rapid.IntRange(1, 200).Draw(t, "asks") {
			now = now.Add(time.Duration(rapid.IntRange(0, 1200).Draw(t, "pause")) * time.Second)
			if room(recent, now, limit) {
				sent, recent = append(sent, now), append(lately(recent, now), now)
			}
		}
		for i := range sent {
			if i >= limit {
				require.GreaterOrEqual(t, sent[i].Sub(sent[i-limit]), time.Hour)
			}
		}
		require.LessOrEqual(t, len(recent), limit)
	})
}
