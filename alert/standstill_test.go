package alert

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// The cooler fails when the beer has come to 12 °C, two and a half hours after the
// crash: more than half of what was to be expected for hours yet. It is told two to
// three hours later, and over when the beer moves again.
func TestACoolingThatStopsHalfWayIsToldSoon(t *testing.T) {
	fails, mended := 48+5*math.Log(1.6), 55.0
	noise := rand.New(rand.NewPCG(1, 2))
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = func(h float64) float64 {
		c := cooling(48)(min(h, fails))
		if h > mended {
			c = 2 + 10*math.Exp(-(h-mended)/5)
		}
		return math.Round((c+0.15*noise.NormFloat64())*10) / 10
	}
	s.until(48).enter("the crash is started", crashed(s.w.Now())).until(54.75).page()
	require.Equal(t, 1, s.raised(NotCooling), s.out.String())
	for _, e := range s.told {
		if e.Alert.Kind == NotCooling {
			require.WithinRange(t, e.Time, hour(fails+1.5), hour(fails+2.75))
			require.Contains(t, e.Alert.Message, "and has hardly moved for the last 2 h. By now it should be near")
			require.Contains(t, e.Alert.Cause, "stood still at 1")
		}
	}
	s.until(61)
	require.NotContains(t, s.w.State().Open, NotCooling)
	s.golden("standstill")
}

// A healthy cooling is never said to stand: fast or slow, also where it takes twice
// the time constant that was given, in thermometers that tremble, show half or full
// degrees, or speak once an hour.
func TestAHealthyCoolingNeverStands(t *testing.T) {
	for _, tau := range []float64{2, 5, 7, 12, 60} {
		for _, slower := range []float64{0.6, 1, 2} {
			for _, noise := range []float64{0, 0.2, 0.6} {
				for _, step := range []float64{0.01, 0.5, 1} {
					for _, every := range []time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour} {
						name := fmt.Sprintf("τ %v h × %v, noise %v, steps of %v °C, every %v", tau, slower, noise, step, every)
						assert.Zero(t, stoodAt(tau, noise, step, every, func(h float64) float64 { return 2 + 17*math.Exp(-h/tau/slower) }), name)
					}
				}
			}
		}
	}
	stops := func(h float64) float64 { return 2 + 17*math.Exp(-min(h, 3)/6) }
	require.InDelta(t, 4.5, stoodAt(6, 0.1, 0.1, 15*time.Minute, stops), 1, "the same, when it stops")
	require.InDelta(t, 4.5, stoodAt(6, 0.3, 0.5, 5*time.Minute, stops), 1.5, "the same, when it stops")
}

// stoodAt is the hour after the crash in which a thermometer's readings are first
// found to stand still, and half an hour later too; 0 for never.
func stoodAt(tau, noise, step float64, every time.Duration, beer func(h float64) float64) float64 {
	b, start, crash := brew(), gravity.Celsius(beer(0)), pitch
	b.Crash.TimeConstant = time.Duration(tau * float64(time.Hour))
	v := &view{batch: &b, opts: &Options{Silence: 2 * time.Hour}, trail: trail{Crash: &crash, CrashTemp: &start}}
	since := 0.0
	rng := rand.New(rand.NewPCG(uint64(tau*100), uint64(noise*100+step*1000)))
	for at := every; at.Hours() < 4*tau; at += every {
		c := math.Round((beer(at.Hours())+noise*rng.NormFloat64())/step) * step
		v.trail.observe(projection.Observation{Time: pitch.Add(at), Quantity: projection.Temperature, Value: c}, &b)
		switch stood, _ := v.standstill(); {
		case stood == 0:
			since = 0
		case since == 0:
			since = at.Hours()
		case at.Hours() >= since+0.5:
			return at.Hours()
		}
	}
	return 0
}
