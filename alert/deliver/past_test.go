package deliver

import (
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// taken are deliveries of one channel that it answered at hours after base: accepted,
// or refused if the hour is negative.
func taken(channel string, hours ...float64) (all []journal.Delivery) {
	for i, h := range hours {
		outcome := accepted
		if h < 0 {
			outcome, h = refused, -h
		}
		done := base.Add(time.Duration(h * float64(time.Hour)))
		all = append(all, journal.Delivery{Channel: channel, N: i + 1, Done: &done, Outcome: outcome})
	}
	return all
}

// every are hours from one on, with steps between them.
func every(from, step, to float64) (hours []float64) {
	for h := from; h < to; h += step {
		hours = append(hours, h)
	}
	return hours
}

// Only what a channel has accepted counts as rung, and a silence only so far.
func TestWhenARingingHasLastedForLong(t *testing.T) {
	day := every(0, 0.25, 24)
	late := every(49, 0.25, 90)
	for name, c := range map[string]struct {
		kind string
		then time.Duration
		all  []journal.Delivery
		now  float64
		want bool
	}{
		"a day":                                      {crashNow, 0, taken("phone", day...), 24, true},
		"less than a day":                            {crashNow, 0, taken("phone", day...), 23.9, false},
		"nobody has taken any":                       {crashNow, 0, taken("phone", -1, -2, -40), 60, false},
		"one taken, then refused for a day":          {crashNow, 0, taken("phone", append([]float64{0}, every(-30, 0.25, -0.25)...)...), 31, false},
		"one taken, then the clock jumps":            {crashNow, 0, taken("phone", 0, 48), 48, false},
		"the clock jumps, and it rings for hours":    {crashNow, 0, taken("phone", append([]float64{0}, late[:48]...)...), 61, false},
		"the clock jumps, and it rings for long":     {crashNow, 0, taken("phone", append([]float64{0}, late[:72]...)...), 67.1, true},
		"seldom, for the budget is full":             {crashNow, 0, taken("phone", every(0, 5, 24)...), 24, true},
		"very seldom":                                {crashNow, 0, taken("phone", every(0, 30, 120)...), 120, true},
		"by another channel":                         {crashNow, 0, append(taken("phone", 0), taken("letter", day...)...), 24, true},
		"asked to wait eight hours":                  {crashNow, 8 * time.Hour, taken("phone", 0, 8, 16), 24, true},
		"asked to wait twelve hours":                 {crashNow, 12 * time.Hour, taken("phone", 0, 12), 24, true},
		"twelve hours, and the clock jumps":          {crashNow, 12 * time.Hour, taken("phone", 0), 48, false},
		"two days, and the clock jumps":              {crashNow, 48 * time.Hour, taken("phone", 0), 48, false},
		"what is told once, a day ago":               {"crash-soon", 0, taken("phone", 0), 24, true},
		"taken at a time that the clock has not yet": {crashNow, 0, taken("phone", 0, 70, 71), 2, false},
	} {
		t.Run(name, func(t *testing.T) {
			a := ring(c.kind, urgent, base)
			if c.kind != crashNow {
				a.Severity = "warning"
			}
			now := base.Add(time.Duration(c.now * float64(time.Hour)))
			require.Equal(t, c.want, Repeat{Then: c.then}.filled().past(a, c.all, now))
		})
	}
}

// Many unanswered crash-now share a channel that takes few messages: each is told more
// seldom, and all of them end after a day.
func TestManyUnansweredCrashesEndAfterADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, start := &phone{name: "phone"}, time.Now()
		var alerts []journal.Alert
		for i := range 4 {
			a := ring(crashNow, urgent, start)
			a.Batch = fmt.Sprintf("ale-%d", i)
			a.ID = a.Batch + "/crash-now/1"
			alerts = append(alerts, a)
		}
		m := newMemory(alerts...)
		for _, a := range alerts {
			require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone"}, start)))
		}
		_, stop := running(t, m, Options{}, Rung{Channel: p, PerHour: 1})
		pass(72 * time.Hour)
		stop()
		rung := p.minutes(start)
		require.GreaterOrEqual(t, len(rung), 60)
		require.Less(t, rung[len(rung)-1], 25*60)
	})
}

// With hours between two tellings a clock that jumps ahead after the first does not
// end them either.
func TestAClockThatJumpsAheadDoesNotEndASlowRinging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m, _, start := told(t, crashNow, urgent, p)
		var step atomic.Int64
		now := func() time.Time { return time.Now().Add(time.Duration(step.Load())) }
		_, stop := running(t, m, Options{Now: now, Repeat: Repeat{First: 12 * time.Hour, Then: 12 * time.Hour}}, p)
		pass(time.Minute)
		step.Store(int64(48 * time.Hour))
		pass(72 * time.Hour)
		stop()
		rung := p.minutes(start)
		require.GreaterOrEqual(t, len(rung), 2, "%v", rung)
		require.LessOrEqual(t, rung[len(rung)-1], 24*60)
	})
}
