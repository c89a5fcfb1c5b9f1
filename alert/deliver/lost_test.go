package deliver

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// Law: a channel that is lost is told by another, once each time it is, also
// over a restart.
func TestALostChannelIsToldByAnotherOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		var down atomic.Bool
		down.Store(true)
		p.answer = func(context.Context, int) error {
			if down.Load() {
				return &Error{text: "not sent: connection refused"}
			}
			return nil
		}
		var lost []Note
		letter.read = func(n Note) {
			if n.Alert.Kind == "cannot-reach" {
				lost = append(lost, n)
			}
		}
		m, a, start := told(t, "crash-now", urgent, rungs...)
		b, stop := running(t, m, Options{}, rungs...)
		pass(9 * time.Minute)
		letter.with(func() { require.Empty(t, lost) })
		require.False(t, b.Status()[0].Unreachable)
		pass(3 * time.Minute)
		letter.with(func() { require.Len(t, lost, 1) })
		letter.with(func() { require.Equal(t, "ebbline cannot reach you by phone", lost[0].Alert.Title) })
		letter.with(func() {
			require.Regexp(t, `^ebbline has not got through by phone for 1[01] minutes: not sent: connection refused\. Until`, lost[0].Alert.Message)
		})
		st := b.Status()[0]
		require.True(t, st.Unreachable)
		require.Equal(t, "letter", st.ToldBy)
		require.WithinDuration(t, start, st.FailingSince, time.Second)
		stop()

		b, stop = running(t, m, Options{}, rungs...)
		pass(time.Hour)
		letter.with(func() { require.Len(t, lost, 1, "told once, though restarted") })
		require.Equal(t, "letter", b.Status()[0].ToldBy)

		down.Store(false)
		pass(time.Minute)
		require.False(t, b.Status()[0].Unreachable)
		require.Empty(t, b.Status()[0].ToldBy)
		down.Store(true)
		pass(time.Hour)
		letter.with(func() { require.Len(t, lost, 2, "another outage") })
		letter.with(func() { require.NotEqual(t, lost[0].Key(), lost[1].Key()) })
		m.change(a.ID, func(a *journal.Alert) { a.Acknowledged = ptr(time.Now()) })
		stop()
	})
}

// With nobody left to tell it by it is told as soon as there is somebody.
func TestALostChannelIsToldWhenAnotherIsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		never := func(context.Context, int) error { return &Error{text: "answered 500"} }
		p.answer = never
		var back atomic.Bool
		letter.answer = func(context.Context, int) error {
			if back.Load() {
				return nil
			}
			return never(context.Background(), 0)
		}
		kinds := map[string]int{}
		letter.read = func(n Note) { kinds[n.Alert.Kind]++ }
		m, _, _ := told(t, "crash-now", urgent, rungs...)
		b, stop := running(t, m, Options{}, rungs...)
		pass(time.Hour)
		require.True(t, b.Status()[0].Unreachable)
		require.True(t, b.Status()[1].Unreachable)
		back.Store(true)
		pass(2 * time.Minute)
		stop()
		require.Equal(t, 1, kinds["cannot-reach"])
	})
}

// How a channel fares outlasts a restart, with the real journal.
func TestHowAChannelFaresOutlastsARestart(t *testing.T) {
	a := ring("crash-now", urgent, base)
	j := journalWith(t, a)
	require.NoError(t, j.Queue(t.Context(), Plan(a, []string{"phone"}, base)))
	clock := &wall{}
	clock.set(base)
	p := &phone{name: "phone"}
	b, stop := running(t, j, Options{Now: clock.Now, Poll: time.Millisecond}, p)
	require.Eventually(t, func() bool { return !b.Status()[0].LastSuccess.IsZero() }, 2*time.Minute, time.Millisecond)
	p.answer = func(context.Context, int) error { return &Error{text: "answered 500"} }
	clock.set(base.Add(6 * time.Minute))
	require.Eventually(t, func() bool { return !b.Status()[0].LastFailure.IsZero() }, 2*time.Minute, time.Millisecond)
	stop()
	before := b.Status()

	b, stop = running(t, j, Options{Now: clock.Now, Poll: time.Hour}, p)
	require.Eventually(t, func() bool { return !b.Status()[0].LastSuccess.IsZero() }, 2*time.Minute, time.Millisecond)
	stop()
	require.Equal(t, before, b.Status())
	require.Equal(t, []any{base, base.Add(6 * time.Minute), "answered 500"}, []any{before[0].LastSuccess, before[0].LastFailure, before[0].LastError})
}
