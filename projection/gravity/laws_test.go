package gravity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func anyRule(t *rapid.T) Rule       { return rapid.SampledFrom(Rules()).Draw(t, "rule") }
func anySG(t *rapid.T, n string) SG { return SG(rapid.Float64Range(0.98, 1.2).Draw(t, n)) }
func anyWort(t *rapid.T) SG         { return SG(rapid.Float64Range(1.004, 1.1).Draw(t, "og")) }

func TestConversionsInvert(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySG(t, "sg")
		require.InDelta(t, float64(s), float64(s.Plato().SG()), 1e-9)
		require.InDelta(t, float64(s), float64(s.Brix().SG()), 1e-9)
		require.InDelta(t, float64(s), float64(s.Density().SG()), 1e-12)
		require.InDelta(t, float64(s), float64(s.Points().SG()), 1e-12)
		a := ABV(rapid.Float64Range(0, 20).Draw(t, "abv"))
		require.InDelta(t, float64(a), float64(a.ByWeight(s).ByVolume(s)), 1e-12)
	})
}

func TestAlcoholRisesAsGravityFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, og := anyRule(t), anyWort(t)
		high := anySG(t, "high")
		low := high - SG(rapid.Float64Range(0.0002, 0.05).Draw(t, "fall"))
		require.Less(t, r.ABV(og, high), r.ABV(og, low), "0.2 points are more than a step of hmrc")
	})
}

func TestTargetIsTheInverseOfAlcohol(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, og := anyRule(t), anyWort(t)
		limit := ABV(rapid.Float64Range(0.01, 0.8).Draw(t, "share")) * Utmost(og)
		c := Ceiling{Limit: limit, Strict: rapid.Bool().Draw(t, "strict")}
		g, err := r.Target(og, c)
		require.NoError(t, err)
		require.True(t, c.Holds(r.ABV(og, g)), "at its target a beer keeps the ceiling")
		lower := g - 2e-6 // just below it does not
		if r == HMRC || r == Cautious {
			lower = g - 1e-4 // a step of the law
		}
		require.False(t, c.Holds(r.ABV(og, lower)))
		if r != HMRC && r != Cautious {
			require.InDelta(t, float64(limit), float64(r.ABV(og, g)), 1e-6)
			require.InDelta(t, float64(g), float64(r.GravityAt(og, r.ABV(og, g))), 1e-9)
		}
	})
}

func TestCautiousIsTheHighestOfTheRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		og, fg := anyWort(t), anySG(t, "fg")
		for _, r := range Rules() {
			require.GreaterOrEqual(t, Cautious.ABV(og, fg), r.ABV(og, fg))
			require.GreaterOrEqual(t, Cautious.GravityAt(og, 0.5), r.GravityAt(og, 0.5))
		}
	})
}

func TestDilutionConservesAlcoholAndExtract(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := ABV(rapid.Float64Range(0, 8).Draw(t, "abv"))
		g := SG(rapid.Float64Range(1, 1.06).Draw(t, "sg"))
		v := Litres(rapid.Float64Range(0.1, 2000).Draw(t, "litres"))
		w := Litres(rapid.Float64Range(0, 2000).Draw(t, "water"))
		d, err := Dilute(a, g, v, w)
		require.NoError(t, err)
		require.InEpsilon(t, 1+float64(v)*float64(a), 1+float64(d.Volume)*float64(d.ABV), 1e-9)
		// Mass is volume times density, and is conserved with the volume.
		require.InEpsilon(t, float64(v*Litres(g)+w), float64(d.Volume*Litres(d.SG)), 1e-9)
		// Extract by the ASBC cubic, g: the cubic is not a straight line; 3 % at 15 °P.
		grams := func(s SG, v Litres) float64 { return (float64(s.Plato()) + 0.003) * float64(s) * float64(v) }
		if w < 4*v {
			require.InDelta(t, grams(g, v), grams(d.SG, d.Volume), 0.03*grams(g, v)+1e-9)
		}
		back, err := DiluteTo(a, g, v, max(a/2, 0.1))
		require.NoError(t, err)
		require.InDelta(t, min(float64(a), math.Max(float64(a/2), 0.1)), float64(back.ABV), 1e-9)
	})
}

func TestCorrectionIsTheIdentityAtItsOwnTemperature(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, at := anySG(t, "sg"), Celsius(rapid.Float64Range(0, 40).Draw(t, "t"))
		body := rapid.Float64Range(0, 500e-6).Draw(t, "expansion")
		require.InDelta(t, float64(s), float64(Correct(s, at, at, body)), 0)
		// A body that expands as water does needs next to none.
		like := (float64(WaterDensity(20)/WaterDensity(at)) - 1) / (float64(at) - 20 + 1e-9)
		require.InDelta(t, float64(s), float64(Correct(s, at, 20, like)), 1e-4)
	})
}

func TestStoppingHigherIsLessRisk(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, og := anyRule(t), SG(rapid.Float64Range(1.01, 1.06).Draw(t, "og"))
		c := Ceiling{Limit: 0.5}
		e := Errors{0.4, Points(rapid.Float64Range(0.1, 3).Draw(t, "float")), Points(rapid.Float64Range(0.1, 3).Draw(t, "sample"))}
		risk := rapid.Float64Range(0.001, 0.5).Draw(t, "risk")
		stop, margin, err := r.StopAt(og, c, e, risk)
		require.NoError(t, err)
		require.GreaterOrEqual(t, float64(margin), -1e-12)
		p, err := r.ChanceAbove(og, stop, c, e)
		require.NoError(t, err)
		require.InDelta(t, risk, p, 1e-9, "the stop has the risk it was asked for")
		higher, err := r.ChanceAbove(og, stop+0.0001, c, e)
		require.NoError(t, err)
		require.Less(t, higher, p)
	})
}

func TestMaltoseNegativeCapAndItsWortAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		share := SimpleSugar(rapid.Float64Range(0.05, 0.2).Draw(t, "share"))
		c := Ceiling{Limit: ABV(rapid.Float64Range(0.1, 1.2).Draw(t, "limit"))}
		og, err := share.OriginalGravityFor(c)
		require.NoError(t, err)
		if og < 1.2-1e-9 {
			require.InDelta(t, float64(c.Limit), float64(share.Cap(og)), 1e-6)
		}
	})
}
