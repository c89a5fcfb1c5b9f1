package projection

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/projection/gravity"
)

// beer is a test's own course of a batch: it keeps its gravity for Lag hours
// and then falls Rate points an hour to Rest points below the original.
type beer struct{ OG, Lag, Rate, Rest float64 }

func (b beer) at(h float64) float64 {
	return b.OG - min(b.Rest, max(0, h-b.Lag)*b.Rate)
}

// send gives a float's readings from one hour to another, with an offset and
// white noise in points; change may alter or drop (NaN) the value shown.
func send(e *Estimator, b beer, from, to float64, sensor string, offset float64, change func(h, v float64) float64) {
	rng := rand.New(rand.NewPCG(7, uint64(from*4)))
	for h := from; h < to; h += 0.25 {
		v := b.at(h) + offset + 0.35*rng.NormFloat64()
		if change != nil {
			v = change(h, v)
		}
		at := e.batch.PitchedAt.Add(time.Duration(h * float64(time.Hour)))
		e.Observe(Observation{Time: at, Sensor: sensor, Quantity: Temperature, Value: 19 + 0.05*rng.NormFloat64()})
		if !math.IsNaN(v) {
			e.Observe(Observation{Time: at, Sensor: sensor, Quantity: Gravity, Value: math.Round(1e4+v*10) / 1e4})
		}
	}
}

func fresh(t testing.TB) *Estimator {
	t.Helper()
	e, err := New(testBatch())
	require.NoError(t, err)
	return e
}

func strengthAt(e *Estimator, b beer) float64 {
	h := e.now.Sub(e.batch.PitchedAt).Hours()
	return float64(gravity.Balling.ABV(gravity.Points(b.OG).SG(), gravity.Points(b.at(h)).SG()))
}

func TestStuckFloatIsSuspectedAndDoesNotCalmAnyone(t *testing.T) {
	e, b := fresh(t), beer{15, 16, 0.08, 9}
	held := 0.0
	send(e, b, 0, 34, "float-1", 1.5, nil)
	before := e.Estimate()
	send(e, b, 34, 60, "float-1", 1.5, func(_, v float64) float64 {
		if held == 0 {
			held = v
		}
		return held
	})
	s := e.Suspect()
	require.Len(t, s, 1)
	require.Equal(t, Stuck, s[0].Doubt)
	require.Equal(t, "float-1", s[0].Sensor)
	after := e.Estimate()
	require.Greater(t, after.ABV, before.ABV+0.1, "the beer goes on although the float does not")
	require.Greater(t, after.ABVSD, before.ABVSD)
	p := e.Project()
	require.True(t, p.CrashDue(e.now.Add(15*time.Minute), 30*time.Minute), "crash-now comes without the float")
}

// The same, shown by a float whose number is corrected for a temperature that is
// never quite the same: what is made of it changes, what it shows does not.
func TestAStuckFloatIsFoundThroughItsCorrection(t *testing.T) {
	e, b := fresh(t), beer{15, 16, 0.08, 9}
	send(e, b, 0, 34, "float-1", 1.5, nil)
	before := e.Estimate()
	for h := 34.0; h < 60; h += 0.25 {
		e.Observe(Observation{Time: e.batch.PitchedAt.Add(time.Duration(h * float64(time.Hour))), Sensor: "float-1", Quantity: Gravity, Value: 1.0151 + 2e-5*math.Sin(5*h), Repeated: h > 34})
	}
	s := e.Suspect()
	require.Len(t, s, 1)
	require.Equal(t, Stuck, s[0].Doubt)
	require.Greater(t, e.Estimate().ABV, before.ABV+0.1, "the beer goes on although the float does not")
}

// A float that hangs trembles by a twentieth of a point: it is found within six
// hours and no longer believed, and after it is freed it is.
func TestAFloatThatHangsIsFound(t *testing.T) {
	e, b := fresh(t), beer{15, 16, 0.08, 9}
	send(e, b, 0, 20, "float-1", 1.5, nil)
	rng := rand.New(rand.NewPCG(9, 9))
	held := b.at(20) + 1.5
	hangs := func(float64, float64) float64 { return held + 0.05*rng.NormFloat64() }
	send(e, b, 20, 26, "float-1", 1.5, hangs)
	require.Len(t, e.Suspect(), 1)
	require.Equal(t, Hanging, e.Suspect()[0].Doubt)
	require.Equal(t, "float-1", e.Suspect()[0].Sensor)
	before := e.Estimate()
	send(e, b, 26, 44, "float-1", 1.5, hangs)
	require.Greater(t, e.Estimate().ABV, before.ABV+0.05, "the beer goes on although the float does not")
	require.Greater(t, e.Estimate().ABVSD, before.ABVSD)
	send(e, b, 44, 60, "float-1", 1.5, nil)
	require.Empty(t, e.Suspect())
	require.InDelta(t, strengthAt(e, b), float64(e.Estimate().ABV), 2.6*float64(e.Estimate().ABVSD))
}

// Law: a float that is as it always was does not hang, whatever its noise and
// resolution, nor does one that grows quiet again as it was before fermentation
// began.
func TestAFreeFloatDoesNotHang(t *testing.T) {
	for _, noise := range []float64{0.01, 0.1, 0.35, 1} {
		for _, step := range []float64{0.01, 0.1, 1} {
			var c calm
			rng := rand.New(rand.NewPCG(3, uint64(1000*noise)))
			for i := range 960 {
				sd := noise
				if i < 64 || i > 600 {
					sd /= 4
				}
				c.hear(math.Round((13+sd*rng.NormFloat64())/step) * step)
				require.False(t, c.Hangs, "reading %d, noise %g, steps of %g points", i, noise, step)
			}
		}
	}
}

// A thermometer shows 85 °C for three hours, or −5: no beer that ferments does, so
// nothing is believed of it.
func TestNoBeerFermentsAtEightyFiveDegrees(t *testing.T) {
	for shows, doubt := range map[float64]Doubt{85: TooHot, -5: TooCold} {
		t.Run(string(doubt), func(t *testing.T) { notBeers(t, shows, doubt) })
	}
	e := fresh(t)
	for m := 0; m < 180; m += 15 {
		e.Observe(Observation{Time: e.batch.PitchedAt.Add(time.Duration(m) * time.Minute), Sensor: "probe", Quantity: Temperature, Value: -1.5})
	}
	require.Empty(t, e.Suspect(), "freezing, by a thermometer that errs")
}

func notBeers(t *testing.T, shows float64, doubt Doubt) {
	t.Helper()
	with, without, b := fresh(t), fresh(t), beer{15, 16, 0.08, 9}
	send(with, b, 0, 20, "float-1", 1.5, nil)
	send(without, b, 0, 20, "float-1", 1.5, nil)
	for m := 0; m < 180; m += 15 {
		with.Observe(Observation{Time: with.batch.PitchedAt.Add(20*time.Hour + time.Duration(m)*time.Minute), Sensor: "probe", Quantity: Temperature, Value: shows})
	}
	require.Equal(t, []Suspicion{{Sensor: "probe", Doubt: doubt, Since: with.batch.PitchedAt.Add(22*time.Hour + 45*time.Minute), Size: shows}}, with.Suspect())
	with.Advance(with.batch.PitchedAt.Add(23 * time.Hour))
	without.Advance(without.batch.PitchedAt.Add(23 * time.Hour))
	require.Equal(t, without.Estimate(), with.Estimate())
	require.Equal(t, without.Project().CrashBy, with.Project().CrashBy)
	with.Observe(Observation{Time: with.now, Sensor: "probe", Quantity: Temperature, Value: 19})
	require.Empty(t, with.Suspect())
}

func TestFloatSwappedMidBatch(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 16, 0.06, 9}
	send(e, b, 0, 40, "float-1", 1.5, nil)
	send(e, b, 42, 60, "float-2", -2.5, nil)
	x := e.Estimate()
	require.InDelta(t, strengthAt(e, b), float64(x.ABV), 3*float64(x.ABVSD))
	require.Less(t, float64(x.ABVSD), 0.12)
	require.Len(t, e.floats, 2)
}

func TestOutliersAreSurvived(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	b := beer{15, 16, 0.06, 9}
	clean, dirty := fresh(t), fresh(t)
	send(clean, b, 0, 50, "float-1", 1.5, nil)
	n := 0
	send(dirty, b, 0, 50, "float-1", 1.5, func(_, v float64) float64 {
		if n++; n%20 == 13 {
			return v + 45
		}
		return v
	})
	c, d := clean.Estimate(), dirty.Estimate()
	require.InDelta(t, float64(c.ABV), float64(d.ABV), 2*float64(c.ABVSD))
}

func TestWrongOriginalGravityContradictedBySamples(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	// The brewer wrote 1.0150; the wort had 1.0180. A float without offset and
	// four samples by hand say so.
	e, b := fresh(t), beer{18, 16, 0.05, 10}
	before := e.Estimate().Gravity
	for day := range 4 {
		send(e, b, float64(day)*12, float64(day+1)*12, "float-1", 0, nil)
		g := gravity.Points(b.at(float64(day+1) * 12)).SG()
		e.Sample(Sample{Time: e.batch.PitchedAt.Add(time.Duration(day+1) * 12 * time.Hour), Gravity: &g})
	}
	x := e.Estimate()
	require.Greater(t, x.Gravity, before, "the samples are believed over what was written")
	require.InDelta(t, b.at(48), float64(x.Gravity.Points()), 1.2)
	require.InDelta(t, strengthAt(e, b), float64(x.ABV), 0.2)
}

func TestADayOfSilenceThenLater(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 16, 0.05, 9}
	send(e, b, 0, 36, "float-1", 1.5, nil)
	send(e, b, 60, 66, "float-1", 1.5, nil)
	x := e.Estimate()
	require.InDelta(t, strengthAt(e, b), float64(x.ABV), 3*float64(x.ABVSD))
}

func TestMoreAlcoholAsGravityFalls(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 16, 0.06, 9}
	last := gravity.ABV(-1)
	for h := 0.0; h < 72; h += 12 {
		send(e, b, h, h+12, "float-1", 1.5, nil)
		x := e.Estimate()
		require.Greater(t, x.ABV, last)
		last = x.ABV
	}
}

func TestQuantilesAreOrdered(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 16, 0.06, 9}
	for h := 0.0; h < 96; h += 8 {
		send(e, b, h, h+8, "float-1", 1.5, nil)
		p := e.Project()
		for _, q := range []Quantiles{p.ABVIfLeft, p.ABVIfCrashedNow} {
			require.LessOrEqual(t, q.P10, q.P50)
			require.LessOrEqual(t, q.P50, q.P90)
		}
		require.LessOrEqual(t, p.ABVIfCrashedNow.P50, p.ABVIfLeft.P50)
		for _, f := range p.Fan {
			require.LessOrEqual(t, f.P10, f.P50)
			require.LessOrEqual(t, f.P50, f.P90)
		}
		require.True(t, p.CrashBy == nil || !p.CrashBy.Before(e.batch.PitchedAt), "never before the pitch")
		for k := 1; k < len(p.Dots); k++ {
			require.False(t, p.Dots[k].Before(p.Dots[k-1]))
		}
	}
}

func TestHoldingItColderCrossesLater(t *testing.T) {
	e, b := fresh(t), beer{15, 16, 0.06, 9}
	send(e, b, 0, 40, "float-1", 1.5, nil)
	cold, warm := e.Hold(12), e.Hold(22)
	require.NotNil(t, warm.P50)
	require.True(t, cold.P50 == nil || cold.P50.After(*warm.P50))
}

func TestCrashStartedFollowsTheCooling(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 16, 0.06, 9}
	send(e, b, 0, 50, "float-1", 1.5, nil)
	start := e.now
	e.CrashStarted(start)
	left := e.Project().ABVIfLeft.P50
	for h := 0.25; h < 10; h += 0.25 { // twice as slow as the brewer believes
		at := start.Add(time.Duration(h * float64(time.Hour)))
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Temperature, Value: 2 + 17*math.Exp(-h/10)})
	}
	p := e.Project()
	require.Nil(t, p.CrashBy, "the crash has started")
	require.Greater(t, p.ABVIfLeft.P50, left-0.02)
	require.Greater(t, e.cooling(), 1.05, "the time constant is learned")
}

func TestNoResponseTime(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	b := testBatch()
	b.ResponseTime = 0
	e, err := New(b)
	require.NoError(t, err)
	course := beer{15, 16, 0.06, 9}
	for h := 0.0; h < 72; h += 12 {
		send(e, course, h, h+12, "float-1", 1.5, nil)
		p := e.Project()
		require.NotNil(t, p.CrashBy)
		require.False(t, p.CrashBy.Before(b.PitchedAt))
		require.True(t, p.CrashBy.Before(b.PitchedAt.AddDate(0, 1, 0)))
	}
}

// TestARiskAcceptedIsNotARiskIgnored: whatever the accepted risk, the crash is
// called before the beer is above its ceiling; a larger risk calls it later.
func TestARiskAcceptedIsNotARiskIgnored(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	var called []float64
	for _, risk := range []float64{0.01, 0.05, 0.2, 0.3} {
		b := testBatch()
		b.Risk = risk
		e, err := New(b)
		require.NoError(t, err)
		h := 0.0
		for ; h < 240; h += 0.5 {
			feed(e, h, h+0.5, 12, 0.06, 7+uint64(2*h))
			if p := e.Project(); p.CrashDue(p.Time.Add(15*time.Minute), b.ResponseTime) {
				require.Less(t, p.OverNow, 0.5, "risk %v", risk)
				break
			}
		}
		require.Less(t, h, 240.0, "risk %v: no crash was ever called", risk)
		called = append(called, h)
	}
	for k := 1; k < len(called); k++ {
		require.GreaterOrEqual(t, called[k]+1, called[k-1], "hours at rising risk: %v", called)
	}
	require.Greater(t, called[3], called[0], "hours at rising risk: %v", called)
}
