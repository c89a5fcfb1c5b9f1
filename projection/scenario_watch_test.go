package projection_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/deploy/quicktest"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// cellar is a virtual batch, of another model family than the estimator's, that
// a watch looks after, and what came of it.
type cellar struct {
	*ferment.Virtual
	watch *alert.Watch
	batch projection.Batch

	raised        map[alert.Kind][]float64 // h after pitch
	texts         []string
	looks, honest int         // hours; of them with the true strength within 2.6 deviations
	final         gravity.ABV // of a crash half an hour after crash-now; NaN without one
	hour          float64     // after pitch
}

// openCellar begins the watch of a batch; change may spoil its sensors or what
// its brewer wrote down.
func openCellar(t testing.TB, seed uint64, kind ferment.Kind, change func(*ferment.Virtual)) *cellar {
	t.Helper()
	v := ferment.Draw(seed, kind)
	change(v)
	c := &cellar{Virtual: v, raised: map[alert.Kind][]float64{}, final: gravity.ABV(math.NaN())}
	c.batch = projection.Batch{
		ID: fmt.Sprintf("%s-%d", kind, seed), OriginalGravity: v.OriginalGravity, Ceiling: v.Ceiling, Rule: gravity.Balling, Risk: 0.05,
		Yeast: projection.StandardYeast, PitchedAt: v.PitchedAt, ResponseTime: v.ResponseTime,
		Crash: projection.Crash{To: v.CrashTo, TimeConstant: v.TimeConstant},
	}
	for _, f := range v.Floats {
		c.batch.Sensors = append(c.batch.Sensors, f.Name)
	}
	for _, p := range v.Thermometers {
		c.batch.Sensors = append(c.batch.Sensors, p.Name)
	}
	var err error
	c.watch, err = alert.NewWatch(c.batch, alert.Options{})
	require.NoError(t, err)
	return c
}

// run lets the hours up to until pass, with a sample by hand each daily hours
// after 20 h; 0: none. Nobody answers.
func (c *cellar) run(until, daily float64) {
	for ; c.hour <= until; c.hour += 0.25 {
		at := c.PitchedAt.Add(time.Duration(c.hour * float64(time.Hour)))
		c.hear(c.watch.Observe(at, c.readings(at)...))
		if daily > 0 && c.hour >= 20 && math.Mod(c.hour-20, daily) == 0 {
			g := c.Sample(at)
			c.enter(alert.Input{Sample: &projection.Sample{Time: at, Gravity: &g}})
		}
		if e := c.watch.State().Estimate; c.hour == math.Trunc(c.hour) && c.hour >= 2 {
			c.looks++
			if math.Abs(float64(c.At(at).ABV-e.ABV)) <= 2.6*float64(e.ABVSD)+0.005 {
				c.honest++
			}
		}
	}
}

// enter is what the brewer enters now.
func (c *cellar) enter(in alert.Input) { c.hear(c.watch.Enter(c.watch.Now(), in)) }

func (c *cellar) readings(at time.Time) (obs []projection.Observation) {
	for _, r := range c.Read(at) {
		obs = append(obs, projection.Observation{Time: at, Sensor: r.Sensor, Quantity: projection.Temperature, Value: float64(r.Temperature)})
		if r.Gravity != nil {
			obs = append(obs, projection.Observation{Time: at, Sensor: r.Sensor, Quantity: projection.Gravity, Value: float64(*r.Gravity)})
		}
	}
	return obs
}

func (c *cellar) hear(events []alert.Event) {
	for _, e := range events {
		if e.Alert == nil {
			continue
		}
		h := e.Time.Sub(c.PitchedAt).Hours()
		c.raised[e.Alert.Kind] = append(c.raised[e.Alert.Kind], h)
		c.texts = append(c.texts, fmt.Sprintf("%6.1f h %s %s: %s", h, e.Alert.Severity, e.Alert.Kind, e.Alert.Message))
		if e.Alert.Kind == alert.CrashNow && len(c.raised[alert.CrashNow]) == 1 {
			c.final = c.FinalABVIfCrash(e.Time.Add(c.ResponseTime))
		}
	}
}

// crossing is when the beer truly passes its ceiling if nobody acts, in whole
// hours after pitch.
func (c *cellar) crossing() float64 {
	v := ferment.Draw(c.Seed, c.Kind)
	for h := 0.0; h < 240; h++ {
		if v.At(v.PitchedAt.Add(time.Duration(h)*time.Hour)).ABV > v.Ceiling.Limit {
			return h
		}
	}
	return math.Inf(1)
}

// endsWell: the belief was honest, and crash-now came in time.
func (c *cellar) endsWell(t *testing.T) {
	t.Helper()
	said := strings.Join(c.texts, "\n")
	require.NotEmpty(t, c.raised[alert.CrashNow], "crash-now is raised\n%s", said)
	require.Less(t, c.raised[alert.CrashNow][0], c.crossing(), said)
	require.LessOrEqual(t, c.final, c.Ceiling.Limit, "%% ABV of a crash a response time after crash-now\n%s", said)
	require.GreaterOrEqual(t, float64(c.honest), 0.9*float64(c.looks), "hours in which the true strength lies within 2.6 deviations, of %d\n%s", c.looks, said)
}

// once checks that an alert was raised once, in a span of hours, and what it says.
func (c *cellar) once(t *testing.T, kind alert.Kind, from, to float64, text string) {
	t.Helper()
	said := strings.Join(c.texts, "\n")
	require.Len(t, c.raised[kind], 1, "%s is raised once\n%s", kind, said)
	require.GreaterOrEqual(t, c.raised[kind][0], from, said)
	require.LessOrEqual(t, c.raised[kind][0], to, said)
	require.Contains(t, said, text)
}

func TestADayOfSilence(t *testing.T) {
	t.Parallel()
	c := openCellar(t, 0, ferment.Plain, func(v *ferment.Virtual) { v.Floats[0].Silent = []ferment.Episode{{From: 20, To: 44}} })
	c.run(20, 0)
	heard := c.watch.State().Estimate.ABVSD
	c.run(43.75, 0)
	require.Greater(t, c.watch.State().Estimate.ABVSD, heard, "silence makes less sure")
	require.True(t, c.watch.State().Silent)
	c.run(c.crossing(), 0)
	require.False(t, c.watch.State().Silent)
	require.NotContains(t, c.watch.State().Open, alert.SensorSilent)
	c.once(t, alert.SensorSilent, 21, 24, "Nothing has come from sensor float-1")
	c.endsWell(t)
}

func TestAStuckFloatInBeerThatGoesOn(t *testing.T) {
	t.Parallel()
	c := openCellar(t, 0, ferment.Plain, func(v *ferment.Virtual) { v.Floats[0].Stuck = []ferment.Episode{{From: 24, To: 60}} })
	c.run(c.crossing(), 0)
	c.once(t, alert.SensorSuspect, 24.5, 36, "it may be stuck")
	c.endsWell(t)
}

// The first float dies at 40 h; two hours later the brewer puts another in its
// place, which errs in its own way.
func TestAFloatSwappedMidBatch(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	t.Parallel()
	c := openCellar(t, 5, ferment.Pair, func(v *ferment.Virtual) {
		v.Floats[0].Silent = []ferment.Episode{{From: 40, To: 1000}}
		v.Floats[1].Silent = []ferment.Episode{{From: 0, To: 42}}
	})
	c.enter(alert.Input{Sensors: []string{"float-1", "probe-1"}})
	c.run(42, 0)
	c.enter(alert.Input{Sensors: []string{"float-2", "probe-1"}})
	c.run(c.crossing(), 0)
	c.once(t, alert.SensorSilent, 41, 42, "Nothing has come from sensor float-1")
	require.NotContains(t, c.watch.State().Open, alert.SensorSilent, "the first is not missed any more")
	c.endsWell(t)
}

// The brewer wrote an original gravity that is wrong by three points; daily
// samples by hand contradict it.
func TestAWrongOriginalGravityContradictedBySamples(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	for name, by := range map[string]gravity.SG{"too high": 0.003, "too low": -0.003} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := openCellar(t, 0, ferment.Plain, func(v *ferment.Virtual) { v.OriginalGravity += by })
			c.run(c.crossing(), 24)
			said := strings.Join(c.texts, "\n")
			require.NotEmpty(t, c.raised[alert.SensorSuspect], said)
			require.LessOrEqual(t, len(c.raised[alert.SensorSuspect]), 2, "first the float is doubted, then what was written down\n%s", said)
			require.Contains(t, said, "do not fit the original gravity of "+fmt.Sprintf("SG %.4f", float64(c.OriginalGravity)))
			c.endsWell(t)
			c.run(93, 24)
			e := c.watch.State().Estimate
			require.InDelta(t, float64(c.At(e.Time).Gravity.Points()), float64(e.Gravity.Points()), 1.5, "points, after four samples")
		})
	}
}
