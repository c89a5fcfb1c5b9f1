package deliver

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// first is when the first telling was accepted.
func (p *phone) first() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.got[0]
}

// A day without a line: what nobody has heard is told when the line is back, and
// insisted on from then.
func TestWhatNobodyHeardIsToldAfterADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		back := time.Now().Add(30 * time.Hour)
		p := &phone{name: "phone", answer: func(context.Context, int) error {
			if time.Now().Before(back) {
				return errors.New("no line")
			}
			return nil
		}}
		m, _, _ := told(t, "crash-now", "urgent", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(31 * time.Hour)
		require.NotEmpty(t, p.told())
		require.Equal(t, []int{0, 5, 20, 35, 50}, p.minutes(p.first()))
		require.Less(t, p.first().Sub(back), time.Minute)
		time.Sleep(48 * time.Hour)
		stop()
		require.Less(t, p.minutes(p.first())[len(p.told())-1], 24*60, "for a day")
	})
}

// The clock is set back by three days while an alert is held back for an hour: it is
// not held back for three days.
func TestASnoozeDoesNotOutlastAClockSetBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		m, a, start := told(t, "crash-now", urgent, rungs...)
		var step atomic.Int64
		now := func() time.Time { return time.Now().Add(-time.Duration(step.Load())) }
		_, stop := running(t, m, Options{Now: now}, rungs...)
		pass(6 * time.Minute)
		m.change(a.ID, func(a *journal.Alert) { until := start.Add(66 * time.Minute); a.SnoozedUntil = &until })
		pass(4 * time.Minute)
		step.Store(int64(72 * time.Hour))
		pass(90 * time.Minute)
		stop()
		require.GreaterOrEqual(t, len(p.told()), 6)
		require.NotEmpty(t, letter.told())
	})
}

// The clock jumps two days ahead, as one does that began without a battery, after
// crash-now was heard once: it goes on ringing, and ends when it has rung for long.
func TestAClockThatJumpsAheadDoesNotEndTheRinging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m, _, start := told(t, "crash-now", urgent, p)
		var step atomic.Int64
		now := func() time.Time { return time.Now().Add(time.Duration(step.Load())) }
		_, stop := running(t, m, Options{Now: now}, p)
		pass(time.Minute)
		step.Store(int64(48 * time.Hour))
		pass(72 * time.Hour)
		stop()
		rung := p.minutes(start)
		require.GreaterOrEqual(t, len(rung), 40, "%v", rung)
		require.Less(t, rung[len(rung)-1], 24*60)
	})
}
