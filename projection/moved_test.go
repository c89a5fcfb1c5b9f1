package projection

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
)

// A float that shows values far from its own for a while is not believed then,
// and believed again afterwards: none is shut out for ever.
func TestADisplacedFloatFindsBack(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	far := func(from, to, by float64) func(h, v float64) float64 {
		return func(h, v float64) float64 {
			if h >= from && h < to {
				v += by
			}
			return v
		}
	}
	for name, c := range map[string]struct {
		change func(h, v float64) float64
		until  float64 // h
		sd     float64 // % ABV, at most
		within bool    // shows values far from its own at the end
	}{
		"its very first reading is an outlier": {far(0, 0.25, 26), 54, 0.1, false},
		"moved for half a day and put back":    {far(30, 42, -9), 54, 0.1, false},
		"moved for good":                       {far(26, 1000, -9), 90, 0.25, true},
		"offset as no float's":                 {far(0, 1000, 14), 54, 0.1, true},
	} {
		t.Run(name, func(t *testing.T) {
			e, b := fresh(t), beer{15, 16, 0.07, 9}
			send(e, b, 0, c.until, "float-1", 1.5, c.change)
			got := e.Estimate()
			require.InDelta(t, strengthAt(e, b), float64(got.ABV), 2.6*float64(got.ABVSD), "%% ABV ± %.3f", float64(got.ABVSD))
			require.Less(t, float64(got.ABVSD), c.sd, "%% ABV: the float is heard")
			f := e.floats[0]
			require.Equal(t, c.within, f.Displaced)
			require.Less(t, e.steps-f.LastStep, 4, "steps since a reading was used")
		})
	}
}

// A float that lies as far from the original gravity as none errs is heard for its
// changes, and told of within hours of the pitch: its unit may be another, so that it
// tells a quarter of what falls (1 °P is about four points, facts of sugar tables).
func TestAFloatFarFromTheOriginalGravityIsTold(t *testing.T) {
	b := beer{15, 16, 0.07, 9}
	for name, c := range map[string]struct {
		change func(h, v float64) float64
		by     float64 // points; 0: nothing is told
	}{
		"as floats err":       {func(_, v float64) float64 { return v + 2.5 }, 0},
		"too low":             {func(_, v float64) float64 { return v - 12.5 }, -11},
		"too high":            {func(_, v float64) float64 { return v + 12.5 }, 14},
		"points, shown as °P": {func(_, v float64) float64 { return v / 3.9 }, -10.8},
	} {
		t.Run(name, func(t *testing.T) {
			e := fresh(t)
			for _, part := range [][2]float64{{0, 4}, {4, 40}} {
				send(e, b, part[0], part[1], "float-1", 1.5, c.change)
				if c.by == 0 {
					require.Empty(t, e.Suspect())
					continue
				}
				require.Len(t, e.Suspect(), 1)
				if c.by < 0 || part[0] == 0 { // later it may be foam for all that is known
					require.Equal(t, Biased, e.Suspect()[0].Doubt)
				}
				require.InDelta(t, c.by, e.Suspect()[0].Size, 3)
			}
		})
	}
}

// A float that was taken out of the beer or put into another stands still there. For
// a day and a half that is no reason to think that nothing ferments, and the brewer
// is told.
func TestAFloatPutElsewhereDoesNotCalmAnyone(t *testing.T) {
	for _, by := range []float64{-12, 12} {
		e, b := fresh(t), beer{15, 12, 0.09, 9}
		send(e, b, 0, 26, "float-1", 1.5, nil)
		before := e.Estimate()
		gone := func(h, _ float64) float64 { return b.at(26) + by + math.Sin(7*h) } // or it would be stuck
		send(e, b, 26, 30, "float-1", 0, gone)
		require.Len(t, e.Suspect(), 1)
		require.Equal(t, Misplaced, e.Suspect()[0].Doubt)
		require.InDelta(t, by-1.5, e.Suspect()[0].Size, 2.5)
		send(e, b, 30, 50, "float-1", 0, gone)
		require.Greater(t, e.Estimate().ABV, before.ABV+0.1, "%g points", by)
		p := e.Project()
		require.True(t, p.CrashDue(e.now.Add(15*time.Minute), 30*time.Minute), "crash-now comes all the same")
	}
}

func TestPlannedStepsChangeTheOutlook(t *testing.T) {
	plain, b := fresh(t), testBatch()
	feed(plain, 0, 30, 16, 0.07, 1)
	b.Steps = []Step{{At: b.PitchedAt.Add(40 * time.Hour), To: 12}}
	e, err := New(b)
	require.NoError(t, err)
	feed(e, 0, 30, 16, 0.07, 1)
	require.Equal(t, plain.Estimate(), e.Estimate(), "a plan is not yet beer")
	now, later := plain.Project(), e.Project()
	require.True(t, later.Crosses.P50 == nil || later.Crosses.P50.After(*now.Crosses.P50), "colder is later")

	start, tau := e.gridTime(), b.Crash.TimeConstant.Hours()*e.cooling()
	require.InDelta(t, plain.futureTemperature(start, 9), e.futureTemperature(start, 9), 1e-9, "before the step, °C")
	begins := b.Steps[0].At.Sub(start).Hours()
	from := plain.futureTemperature(start, begins-1e-3)
	require.InDelta(t, 12+(from-12)*math.Exp(-6/tau), e.futureTemperature(start, begins+6), 0.001, "on the way (Newton's law of cooling), °C")
	require.InDelta(t, 12, e.futureTemperature(start, 100), 0.01)

	b.Steps = append(b.Steps, Step{At: b.PitchedAt, To: 20})
	_, err = New(b)
	require.ErrorContains(t, err, "out of order")
}

// With its thermometer silent since before the crash, the beer cools from when
// the crash started.
func TestCoolingUnseenCountsFromTheCrash(t *testing.T) {
	e := brewing(t, 30)
	at := e.batch.PitchedAt.Add(40 * time.Hour)
	e.CrashStarted(at)
	warm := e.presentTemperature(at)
	require.InDelta(t, e.crashAt, warm, 1e-9)
	tau := e.batch.Crash.TimeConstant.Hours()
	to := float64(e.batch.Crash.To)
	require.InDelta(t, to+(warm-to)*math.Exp(-3/tau), e.presentTemperature(at.Add(3*time.Hour)), 1e-9)
}

// What a sample is expected to leave open is less than what is open now, and the
// mean of what is believed after it is near what is believed now: expected
// values do not move by themselves (the law of total expectation).
func TestASampleIsWorthWhatItTells(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	for _, hours := range []float64{24, 36, 48} {
		e := brewing(t, hours)
		p := e.Project()
		require.NotNil(t, p.CrashBy)
		require.NotNil(t, p.Sampled)
		require.Less(t, p.Sampled.SD, p.CrashBySD, "after %g h", hours)
		require.Greater(t, p.Sampled.Later, -time.Hour, "after %g h: knowing more does not bring the crash forward on average", hours)
		g := e.Estimate().Gravity
		for range 4 { // of which the fifth tells little
			e.Sample(Sample{Time: e.now, Gravity: &g})
		}
		again := e.Project()
		if again.Sampled != nil {
			require.Less(t, again.CrashBySD-again.Sampled.SD, p.CrashBySD-p.Sampled.SD, "after %g h and four samples", hours)
		}
	}
}
