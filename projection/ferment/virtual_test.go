package ferment

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection/gravity"
)

func anyBatch(t *rapid.T) *Virtual {
	kind := rapid.SampledFrom(Kinds()).Draw(t, "kind")
	return Draw(rapid.Uint64Range(0, 1e6).Draw(t, "seed"), kind)
}

func after(v *Virtual, h float64) time.Time { return v.PitchedAt.Add(hours(h)) }

// What maltose-negative yeast can make of simple sugars, from their share of
// the extract at 0.484 g ethanol per g: the balance here must give the same but
// for its sugar being counted per mass, the table's per volume.
func TestBalanceAgainstTheCapOfMaltoseNegativeYeast(t *testing.T) {
	for _, r := range readReference(t, "maltose_negative_cap.csv") {
		og := gravity.SG(r.num(t, "sg"))
		abv := gravity.Balling.ABV(og, fermented(og, float64(og.Plato())*r.num(t, "simple_sugar_fraction")))
		require.InEpsilon(t, r.num(t, "max_abv_pct"), float64(abv), 0.03, "%v", r)
	}
}

// Balling's rule from the two gravities must give back the ethanol that the
// balance put in: 1 g for 2.0665 g of extract.
func TestStrengthFromGravitiesIsTheEthanolMade(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		og := gravity.SG(rapid.Float64Range(1.008, 1.06).Draw(t, "og"))
		eaten := float64(og.Plato()) * rapid.Float64Range(0, 0.8).Draw(t, "share")
		now := fermented(og, eaten)
		ethanol := eaten / extractPerEthanol // g per 100 g of wort
		byWeight := 100 * ethanol / (100 - ethanol*lostPerEthanol)
		require.InDelta(t, byWeight*float64(now)/0.794, float64(gravity.Balling.ABV(og, now)), 2e-3)
		require.LessOrEqual(t, float64(now), float64(og)+1e-9)
	})
}

func TestLawsOfAVirtualBatch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := anyBatch(t)
		crash := rapid.Float64Range(0, 150).Draw(t, "crash")
		before, lastFinal := v.At(v.PitchedAt), gravity.ABV(-1)
		for h := 0.0; h < 200; h += 25 {
			if h >= crash {
				v.StartCrash(after(v, crash))
			}
			now := v.At(after(v, h))
			require.LessOrEqual(t, now.Gravity, before.Gravity+1e-12, "gravity never rises")
			require.GreaterOrEqual(t, now.ABV, before.ABV-1e-9, "alcohol never falls")
			require.InDelta(t, float64(before.OriginalGravity), float64(now.OriginalGravity), 0)
			final := v.FinalABVIfCrash(after(v, h))
			require.GreaterOrEqual(t, final, now.ABV-1e-9, "the crash does not take alcohol away")
			if h < crash {
				require.GreaterOrEqual(t, final, lastFinal-1e-3, "a later crash does not end lower")
				lastFinal = final
			}
			before = now
		}
		for _, left := range v.state {
			require.False(t, math.IsNaN(left))
		}
		require.Greater(t, before.Gravity, gravity.SG(0.999))
	})
}

func TestTruthDoesNotDependOnHowItWasAsked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		asked := anyBatch(t)
		straight := Draw(asked.Seed, asked.Kind)
		until := rapid.Float64Range(1, 120).Draw(t, "until")
		for range rapid.IntRange(0, 20).Draw(t, "stops") {
			at := rapid.Float64Range(0, until).Draw(t, "at")
			asked.At(after(asked, at))
			asked.FinalABVIfCrash(after(asked, at+3))
			asked.Sample(after(asked, at))
			asked.Read(after(asked, at))
		}
		require.Equal(t, straight.At(after(straight, until)), asked.At(after(asked, until)))
	})
}

func TestTimeOfAVirtualBatchGoesForwardOnly(t *testing.T) {
	v := Draw(1, Plain)
	there := v.At(after(v, 40))
	require.Equal(t, after(v, 40), there.Time)
	require.Equal(t, there, v.At(after(v, 3)))
}

func TestOneSeedIsOneBatch(t *testing.T) {
	for _, kind := range Kinds() {
		one, other, third := Draw(7, kind), Draw(7, kind), Draw(8, kind)
		require.Equal(t, one.Brew, other.Brew)
		require.NotEqual(t, one.og, third.og)
		differ := false
		for h := 0.0; h < 100; h += 0.25 {
			shown := one.Read(after(one, h))
			require.Equal(t, shown, other.Read(after(other, h)))
			differ = differ || fmt.Sprint(shown) != fmt.Sprint(third.Read(after(third, h)))
		}
		require.True(t, differ)
	}
}

// A crash early enough ends below what the batch reaches if left alone, and its
// beer follows Newton's law in the vessel's own time constant.
func TestCrashStopsTheBatch(t *testing.T) {
	for seed := range uint64(20) {
		v := Draw(seed, Plain)
		left := Draw(seed, Plain).At(after(v, 600)).ABV
		start := 0.0
		for v.FinalABVIfCrash(after(v, start)) < 0.4 {
			start++
		}
		start--
		promised := v.FinalABVIfCrash(after(v, start))
		warm := v.At(after(v, start)).Temperature
		v.StartCrash(after(v, start))
		cold := v.At(after(v, start+5)).Temperature
		want := Cooling{Start: warm, To: v.CrashTo, TimeConstant: v.cooling}.Temperature(5 * time.Hour)
		require.InDelta(t, float64(want), float64(cold), 0.3, "seed %d", seed) // heat of fermentation, grid

		rest := v.At(after(v, start+restAfter))
		require.InDelta(t, float64(promised), float64(rest.ABV), 1e-6, "seed %d", seed)
		require.Less(t, rest.ABV, left)
		require.Less(t, v.At(after(v, start+restAfter+48)).ABV-rest.ABV, gravity.ABV(0.02), "seed %d: it has come to rest", seed)
	}
}

// The step is fine enough: a tenth of it gives the same to a hundredth of a
// point.
func TestGridIsFineEnough(t *testing.T) {
	for _, kind := range []Kind{Plain, MaltNeg, Ceiling12, Cells, Curve} {
		for seed := range uint64(10) {
			v := Draw(seed, kind)
			coarse, fine := v.strain.pitch(), v.strain.pitch()
			slopes := v.strain.slopes(23)
			for i := range int(120 / gridStep) {
				v.solver.step(coarse, gridStep, slopes)
				for range 10 {
					v.solver.step(fine, gridStep/10, slopes)
				}
				if i%100 == 0 {
					a, b := fermented(v.og, v.strain.eaten(coarse)), fermented(v.og, v.strain.eaten(fine))
					require.InDelta(t, float64(a), float64(b), 1e-5, "%s %d step %d", kind, seed, i)
				}
			}
		}
	}
}

func TestKindsAreWhatTheySay(t *testing.T) {
	const draws = 40
	crossed := map[Kind]int{}
	for _, kind := range Kinds() {
		for seed := range uint64(draws) {
			v := Draw(seed, kind)
			require.Equal(t, kind == MaltNeg, v.MaltoseNegative)
			if kind == SlowCool {
				require.True(t, v.cooling >= 9*time.Hour && v.cooling <= 16*time.Hour, "%s", v.cooling)
			} else {
				require.LessOrEqual(t, v.cooling, 10*time.Hour)
			}
			written := math.Abs(float64(v.OriginalGravity - v.og))
			if kind == Misread {
				written = math.Abs(written - 0.003)
			}
			require.LessOrEqual(t, written, 0.002)
			checkMishap(t, v)
			low, high := gravity.Celsius(99), gravity.Celsius(-99)
			for h := 120.0; h < 144; h++ {
				beer := v.At(after(v, h)).Temperature
				low, high = min(low, beer), max(high, beer)
			}
			if kind == Swing {
				require.Greater(t, high-low, gravity.Celsius(0.5))
			}
			if v.At(after(v, 240)).ABV > v.Ceiling.Limit {
				crossed[kind]++
			}
		}
	}
	for kind, n := range crossed {
		if kind == MaltNeg {
			require.Less(t, n, draws/4, "most rest below on their own")
			continue
		}
		require.Greater(t, n, draws/2, "%s: most cross their ceiling", kind)
	}
	_, err := ParseKind("plane")
	require.ErrorContains(t, err, "plain")
}

// checkMishap reads a batch's sensors through and checks what is missing.
func checkMishap(t *testing.T, v *Virtual) {
	t.Helper()
	sent, same, longest, last := map[string]int{}, 0, 0, gravity.SG(0)
	var day [2]gravity.Celsius // mean of the beer in the first and the fourth day
	for h := 0.0; h < 100; h += 0.25 {
		for _, r := range v.Read(after(v, h)) {
			sent[r.Sensor]++
			if r.Sensor == "float-1" {
				if same++; *r.Gravity != last {
					same = 1
				}
				last, longest = *r.Gravity, max(longest, same)
			}
		}
		if k := int(h / 24); k == 0 || k == 3 {
			day[k/3] += v.beer / 96
		}
	}
	switch v.Kind {
	case Silence:
		require.InDelta(t, 400-96, sent["float-1"], 1)
	case Swap:
		require.Greater(t, sent["float-1"], 70)
		require.Greater(t, sent["float-2"], 140)
		require.Less(t, sent["float-1"]+sent["float-2"], 401)
		require.Equal(t, 400, sent["probe-1"])
	case Stuck:
		require.GreaterOrEqual(t, longest, 48)
	case Step:
		require.Greater(t, math.Abs(float64(day[1]-day[0])), 1.0)
	}
}

// Over a crash from 20 °C the drawn yeasts must stay in the span of published
// temperature dependence: 20 → 4 °C slows 2 to 9 times (facts, "Stopping").
func TestColdSlowsAsPublished(t *testing.T) {
	for seed := range uint64(50) {
		for _, kind := range []Kind{Plain, Cells, Curve} {
			v := Draw(seed, kind)
			state := v.strain.pitch()
			for range 400 {
				v.solver.step(state, gridStep, v.strain.slopes(20))
			}
			slowing := speed(v, state, 20) / speed(v, state, 4)
			require.True(t, slowing > 2 && slowing < 9, "%s %d: %g", kind, seed, slowing)
		}
	}
}

// speed is how fast sugar goes at a temperature, g per 100 g and hour.
func speed(v *Virtual, state []float64, t gravity.Celsius) float64 {
	const short = 1e-3
	moved := append([]float64(nil), state...)
	v.solver.step(moved, short, v.strain.slopes(t))
	return (v.strain.eaten(moved) - v.strain.eaten(state)) / short
}

func BenchmarkDraw(b *testing.B) {
	for i := range b.N {
		v := Draw(uint64(i), Plain)
		v.FinalABVIfCrash(after(v, 0))
	}
}
