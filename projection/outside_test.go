package projection

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// lowGravityWort is the wort of the low-gravity trajectories of Gee & Ramirez'
// three-sugar model (Biotechnol. Bioeng. 31 (1988) 224; J. Inst. Brew. 100
// (1994) 321; half saturation of maltose K_M = exp(-19.15 + 14.4/RT), the other
// form in print being exp(-19.5 + …)), mol/m³. ferment's own test holds the
// model to the published parameters' trajectories.
func lowGravityWort() ferment.ThreeSugar {
	return ferment.ThreeSugar{Glucose: 20, Maltose: 63, Maltotriose: 11.5, Biomass: 60}
}

// outside is a batch whose beer follows that model: it has no lag and falls
// three times slower once its glucose is gone, near 0.3 % ABV.
type outside struct {
	celsius  gravity.Celsius
	beer     []ferment.ThreeSugar // each quarter of an hour
	crossing float64              // h
	last     float64              // h: the latest crash that keeps the ceiling
}

func newOutside(celsius gravity.Celsius, hours int) outside {
	o := outside{celsius: celsius}
	beer := lowGravityWort()
	for range 4*hours + 1 {
		o.beer = append(o.beer, beer)
		beer = beer.After(grid, celsius)
	}
	for k := 1; o.crossing == 0; k++ {
		before, after := float64(o.beer[k-1].ABV()), float64(o.beer[k].ABV())
		if after > 0.5 {
			o.crossing = (float64(k-1) + (0.5-before)/(after-before)) / 4
		}
		if o.crashed(k) <= 0.5 {
			o.last = float64(k) / 4
		}
	}
	return o
}

// crashed is the strength, % ABV, that a crash at the k-th quarter of an hour
// leaves after a day of cooling, by the model's own dependence on temperature.
func (o outside) crashed(k int) float64 {
	c := testBatch().Crash
	cooling := ferment.Cooling{Start: o.celsius, To: c.To, TimeConstant: c.TimeConstant}
	beer := o.beer[k]
	for after := grid / 2; after < 24*time.Hour; after += grid {
		beer = beer.After(grid, cooling.Temperature(after))
	}
	return float64(beer.ABV())
}

// heard is what an estimator made of it.
type heard struct {
	called float64 // h after pitch; infinite if the crash was never called
	within bool    // some hours ahead p10..p90 held the crossing
	middle string  // p10, p50, p90 there, h after pitch
}

// hear gives the readings of a float that errs as floats do (offset 1.5 points,
// white noise 0.33, noise of 0.35 that lasts 4 h; common practice) until all is said,
// at most up to the crossing.
func (o outside) hear(t *testing.T, seed uint64, ahead float64) heard {
	t.Helper()
	b := testBatch()
	b.ID = fmt.Sprintf("published %g %d", float64(o.celsius), seed)
	e, err := New(b)
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(seed, 3))
	offset, slow, keep := 1.5*rng.NormFloat64(), 0.35*rng.NormFloat64(), math.Exp(-0.25/4)
	said := heard{called: math.Inf(1)}
	for k := 0; float64(k)/4 < o.crossing; k++ {
		h := float64(k) / 4
		at := b.PitchedAt.Add(time.Duration(k) * grid)
		shown := float64(gravity.Balling.GravityAt(b.OriginalGravity, o.beer[k].ABV()).Points()) + offset + slow + 0.33*rng.NormFloat64()
		slow = keep*slow + math.Sqrt(1-keep*keep)*0.35*rng.NormFloat64()
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Temperature, Value: float64(o.celsius) + 0.06*rng.NormFloat64()})
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Gravity, Value: math.Round(1e4+10*shown) / 1e4})
		called := !math.IsInf(said.called, 1)
		if called && h < o.crossing-ahead {
			continue // a look costs as much as a reading, and changes nothing
		}
		p := e.Project()
		if !called && p.CrashDue(at.Add(grid), b.ResponseTime) {
			called, said.called = true, h
		}
		if h >= o.crossing-ahead && said.middle == "" {
			said.within, said.middle = o.holds(b, p.Crosses)
		}
		if called && said.middle != "" {
			break
		}
	}
	return said
}

// holds tells whether p10..p90 holds the published crossing.
func (o outside) holds(b Batch, c Crossing) (bool, string) {
	hours := func(t *time.Time) float64 {
		if t == nil {
			return math.Inf(1)
		}
		return t.Sub(b.PitchedAt).Hours()
	}
	low, mid, high := hours(c.P10), hours(c.P50), hours(c.P90)
	return low <= o.crossing && o.crossing <= high, fmt.Sprintf("%.1f–%.1f–%.1f", low, mid, high)
}

// TestPublishedThreeSugarModel: the crash is called before the published
// crossing by the over-run, and the crossing lies in its own interval.
func TestPublishedThreeSugarModel(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	for _, celsius := range []gravity.Celsius{15, 20} {
		t.Run(fmt.Sprint(celsius), func(t *testing.T) {
			o := newOutside(celsius, 60)
			const floats, ahead = 6, 8
			held := 0
			for seed := range uint64(floats) {
				said := o.hear(t, seed, ahead)
				t.Logf("float %d: crossing at %.1f h, the last crash that holds at %.1f h, called at %.1f h, p10, p50, p90 of the crossing %d h ahead %s",
					seed, o.crossing, o.last, said.called, ahead, said.middle)
				require.LessOrEqual(t, said.called+testBatch().ResponseTime.Hours(), o.last, "float %d: the crash comes before the crossing by its over-run", seed)
				if said.within {
					held++
				}
			}
			require.GreaterOrEqual(t, held, 4, "of %d intervals p10–p90, of which four in five ought to hold the crossing", floats)
		})
	}
}

// nile are the yearly flows at Aswan, 1871 to 1970 (R datasets::Nile).
func nile(t *testing.T) (flow []float64) {
	t.Helper()
	file, err := os.Open("../testdata/reference/nile.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		flow = append(flow, v)
	}
	require.Len(t, flow, 100)
	return flow
}

// localLevel runs the filter of a float's errors as a local level model: an
// offset that wanders daily and white noise, all else nought, after an exact
// diffuse start. It gives the log likelihood of the innovations from the second
// value on, with (n-1)/2·ln 2π, and the filter with the level at the end.
func localLevel(flow []float64, white, wander float64) (loglik float64, f filter, level vec) {
	f = newFilter(errorModel{wander: math.Sqrt(wander), white: math.Sqrt(white), memory: 1})
	f.cov[fOffset][fOffset] = white
	level = vec{flow[0]}
	for _, y := range flow[1:] {
		f.spread(24)
		level.on(24, 0)
		gain, vary := f.gain(0, 1, 0)
		v := y - level.expected(0)
		loglik -= (math.Log(2*math.Pi*vary) + v*v/vary) / 2
		level[fOffset] += gain[fOffset] * v
		f.narrow(&gain, vary)
	}
	f.spread(24)
	return loglik, f, level
}

// TestFilterIsLikeliestWhereTheNileIs: likelihood, steady state and forecast are
// those of Durbin & Koopman (Time Series Analysis by State Space Methods, ch. 2)
// and of R's StructTS, and the variances at which gonum finds the filter
// likeliest are theirs, 15098.5 and 1469.2.
func TestFilterIsLikeliestWhereTheNileIs(t *testing.T) {
	flow := nile(t)
	loglik, f, level := localLevel(flow, 15099, 1469.1)
	require.InDelta(t, -632.5456251, loglik, 1e-6, "with (n-1)/2·ln 2π")
	require.InDelta(t, -633.4645636, loglik-math.Log(2*math.Pi)/2, 1e-6, "with n/2·ln 2π")
	gain, _ := f.gain(0, 1, 0)
	require.InDelta(t, 5501.257941808, f.cov[fOffset][fOffset], 1e-6, "steady variance of a prediction")
	require.InDelta(t, 0.267048012571, gain[fOffset], 1e-9)
	require.InDelta(t, 798.3702926084, level[fOffset], 1e-6, "forecast for 1971")

	best, _, _ := localLevel(flow, 15098.52, 1469.18)
	for _, by := range []float64{0.99, 1.01} {
		white, _, _ := localLevel(flow, by*15098.52, 1469.18)
		wander, _, _ := localLevel(flow, 15098.52, by*1469.18)
		require.Less(t, white, best, "variance of the noise times %g", by)
		require.Less(t, wander, best, "variance of the level times %g", by)
	}
}
