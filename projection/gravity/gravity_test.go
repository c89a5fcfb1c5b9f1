package gravity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Common practice: a drop from 1.013 to 1.008 is 0.5 to 0.7 % by the rules.
func TestFivePointsAreAboutHalfAPercent(t *testing.T) {
	for _, r := range Rules() {
		abv := r.ABV(1.013, 1.008)
		require.True(t, abv >= 0.5 && abv <= 0.7, "%s: %v", r, abv)
	}
}

// Common practice: bottle conditioning adds up to about half a percent. Beer
// fermented at 20 °C and primed to two or two and a half volumes.
func TestBottleConditioningAddsUpToHalfAPercent(t *testing.T) {
	for volumes, want := range map[Volumes]float64{2: 0.3, 2.5: 0.43} {
		require.InDelta(t, want, float64(PrimingABV(volumes-SaturationCO2(20))), 0.02)
	}
	require.InDelta(t, 0.52, float64(PrimingABV(2)), 0.005) // two volumes alone use up a ceiling of 0.5
}

// "0.50 volumes and 0.13 % ABV for each further point": Balling's balance.
func TestOnePointFurther(t *testing.T) {
	abv, co2 := FermentationYield(1.015, 1.011, 1)
	require.InDelta(t, 0.13, float64(abv), 0.002)
	require.InDelta(t, 0.50, float64(co2), 0.005)
}

func TestHMRCCeilingsAreTheLaws(t *testing.T) {
	for name, c := range map[string]struct {
		ceiling Ceiling
		drop    float64 // points
	}{
		"not more than 0.5: four degrees make it exactly": {Ceiling{Limit: 0.5}, 4.0},
		"less than 0.5: a tenth of a degree less":         {Ceiling{Limit: 0.5, Strict: true}, 3.9},
		"between the steps of a band's edge":              {Ceiling{Limit: 0.87}, 6.9}, // 6.9 is 0.8625, 7.0 is 0.882
		"on the step behind the edge":                     {Ceiling{Limit: 0.882}, 7.0},
		"less than the step behind the edge":              {Ceiling{Limit: 0.882, Strict: true}, 6.9},
		"none":                                            {Ceiling{Limit: 0}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			g, err := HMRC.Target(1.015, c.ceiling)
			require.NoError(t, err)
			require.InDelta(t, c.drop, float64(drop(1.015, g)), 1e-9)
		})
	}
	// The difference is rounded to a tenth first, as the notice says.
	require.InDelta(t, float64(HMRC.ABV(1.0150, 1.0110)), float64(HMRC.ABV(1.01502, 1.0110)), 0)
	require.InDelta(t, 0.5, float64(HMRC.ABV(1.0150, 1.0110)), 0)
}

func TestTargetRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		rule    Rule
		og      SG
		ceiling Ceiling
		says    string
	}{
		"a wort lighter than water": {Balling, 0.998, Ceiling{Limit: 0.5}, "allowed is 1.000 to 1.200"},
		"no gravity":                {Balling, SG(math.NaN()), Ceiling{Limit: 0.5}, "allowed is 1.000 to 1.200"},
		"more than the wort makes":  {Linear, 1.003, Ceiling{Limit: 0.5}, "the wort cannot reach the ceiling"},
		"less than nothing":         {Balling, 1.015, Ceiling{Strict: true}, "no beer has less than no alcohol"},
		"a ceiling below nought":    {Balling, 1.015, Ceiling{Limit: -1}, "allowed is 0 to 20"},
		"no rule":                   {"scale", 1.015, Ceiling{Limit: 0.5}, "balling, hmrc, linear, nonlinear or cautious"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := c.rule.Target(c.og, c.ceiling)
			require.ErrorContains(t, err, c.says)
		})
	}
	_, err := Balling.Target(1.003, Ceiling{Limit: 0.5})
	require.ErrorIs(t, err, ErrOutOfReach)
	require.True(t, math.IsNaN(float64(Rule("scale").ABV(1.01, 1.005))))
	require.True(t, math.IsNaN(float64(Rule("scale").GravityAt(1.01, 0.5))))
	require.InDelta(t, float64(Balling.ABV(1.015, 1.01)), float64(Rule("").ABV(1.015, 1.01)), 0)
	_, err = Targets(0.9, Ceiling{Limit: 0.5})
	require.Error(t, err)
}

// A ceiling of no alcohol at all is reached before fermentation.
func TestTargetOfNoAlcohol(t *testing.T) {
	all, err := Targets(1.015, Ceiling{})
	require.NoError(t, err)
	require.Len(t, all, 5)
	for r, g := range all {
		require.InDelta(t, 1.015, float64(g), 1e-9, r)
	}
}

// All extract of 4 °P gone, by hand: 4/(2.0665−0.04266) = 1.976 g of ethanol in
// 100 g of beer; what is left is lighter than water.
func TestUtmost(t *testing.T) {
	require.InDelta(t, 1.976*0.9965/0.794, float64(Utmost(Plato(4).SG())), 0.01)
	require.Zero(t, Utmost(1))
}

// By hand for 10 °P fermented to 2.5 °P apparent.
func TestExtractAndAttenuation(t *testing.T) {
	og, fg := Plato(10).SG(), Plato(2.5).SG()
	require.InDelta(t, 0.1808*10+0.8192*2.5, float64(RealExtract(og, fg)), 1e-9)
	require.InDelta(t, 0.75, ApparentAttenuation(og, fg), 1e-9)
	require.InDelta(t, 0.75*0.8192, RealAttenuation(og, fg), 1e-9)
	require.True(t, math.IsNaN(ApparentAttenuation(1, 1)))
}

func TestMargin(t *testing.T) {
	sd, err := Errors{OriginalGravity: 0.4, Float: 1, Sample: 0.5}.Drop()
	require.NoError(t, err)
	require.InDelta(t, math.Sqrt(0.16+1/(1+4.0)), float64(sd), 1e-12)
	stop, margin, err := Balling.StopAt(1.0155, Ceiling{Limit: 0.5}, Errors{OriginalGravity: 0.4, Float: 1, Sample: 0.5}, 0.05)
	require.NoError(t, err)
	require.InDelta(t, 1.644854*0.6, float64(margin), 1e-6) // standard normal table: 5 % lies beyond 1.644854
	target, err := Balling.Target(1.0155, Ceiling{Limit: 0.5})
	require.NoError(t, err)
	require.InDelta(t, float64(margin), float64(drop(stop, target)), 1e-9)
	at, err := Balling.ChanceAbove(1.0155, target, Ceiling{Limit: 0.5}, Errors{Sample: 0.5})
	require.NoError(t, err)
	require.InDelta(t, 0.5, at, 1e-9, "stopped at the target it is even odds")

	for name, e := range map[string]Errors{"nothing tells the gravity": {OriginalGravity: 0.4}, "below nought": {Float: -1}, "no number": {Sample: Points(math.NaN())}} {
		_, err := e.Drop()
		require.Error(t, err, name)
		_, err = Balling.ChanceAbove(1.015, 1.012, Ceiling{Limit: 0.5}, e)
		require.Error(t, err, name)
	}
	for _, risk := range []float64{0, 1, -0.1, math.NaN()} {
		_, _, err := Balling.StopAt(1.015, Ceiling{Limit: 0.5}, Errors{Sample: 0.5}, risk)
		require.ErrorContains(t, err, "risk")
	}
	_, _, err = Balling.StopAt(0.9, Ceiling{Limit: 0.5}, Errors{Sample: 0.5}, 0.05)
	require.Error(t, err)
}

func TestTinctureBringsAlcohol(t *testing.T) {
	// 100 mL of 40 % in 19.9 L of beer of 0.3 %: (59.7 + 40)/20 mL a litre.
	a, err := ABV(0.3).Mixed(19.9, 100, 40)
	require.NoError(t, err)
	require.InDelta(t, (0.3*19.9+40*0.1)/20, float64(a), 1e-12)
	_, err = ABV(0.3).Mixed(0, 100, 40)
	require.Error(t, err)
	_, err = ABV(0.3).Mixed(19, -1, 40)
	require.Error(t, err)
}

func TestDilutionBringsBackUnderTheCeiling(t *testing.T) {
	d, err := DiluteTo(0.6, 1.010, 20, 0.5)
	require.NoError(t, err)
	require.InDelta(t, 4, float64(d.Water), 1e-9)
	require.InDelta(t, 24, float64(d.Volume), 1e-9)
	require.InDelta(t, 0.5, float64(d.ABV), 1e-9)
	require.InDelta(t, 1.010-0.010/6, float64(d.SG), 1e-9)
	require.InDelta(t, 5.0/6, d.Factor, 1e-9)
	d, err = DiluteTo(0.4, 1.010, 20, 0.5)
	require.NoError(t, err)
	require.Zero(t, d.Water)
	_, err = DiluteTo(0.4, 1.010, 20, 0)
	require.Error(t, err)
	_, err = Dilute(0.4, 1.010, -1, 0)
	require.Error(t, err)
}

func TestPressureRefuses(t *testing.T) {
	beer := Referment{1.015, 1.011, 0.9, 0.05}
	for name, call := range map[string]func() error{
		"below nought":    func() error { _, _, _, err := beer.Pressure(-1, 20); return err },
		"hot":             func() error { _, _, _, err := beer.Pressure(1, 60); return err },
		"no such vessel":  func() error { _, _, _, err := Referment{1.015, 1.011, 0.9, 2}.Pressure(1, 20); return err },
		"negative carbon": func() error { _, _, _, err := Referment{1.015, 1.011, -1, 0}.Pressure(1, 20); return err },
	} {
		require.Error(t, call(), name)
	}
}

// Refract must invert what the instrument sees, and its own doubt must hold.
func TestRefractometer(t *testing.T) {
	og := Plato(5).SG()
	for _, fg := range []SG{og, og - 0.002, og - 0.004, og - 0.01} {
		byWeight := float64(Balling.ABV(og, fg).ByWeight(fg))
		seen := Brix(float64(RealExtract(og, fg)) + brixPerEthanol*byWeight)
		got, err := Refract(og.Brix(), seen, 0.1)
		require.NoError(t, err)
		require.InDelta(t, float64(fg), float64(got.SG), 3e-5)
		require.InDelta(t, float64(Balling.ABV(og, fg)), float64(got.ABV), 0.004)
	}
	got, err := Refract(5, 4.4, 0.1)
	require.NoError(t, err)
	require.InDelta(t, 0.115, float64(got.ABVSD), 0.015)
	usual, err := Refract(5, 4.4, 0.2)
	require.NoError(t, err)
	require.Greater(t, usual.ABVSD, 1.7*got.ABVSD)
	require.Greater(t, got.SD, Points(0.5))

	for name, c := range map[string][3]float64{
		"no wort": {0.2, 0.1, 0.1}, "rising": {5, 6, 0.1}, "no doubt": {5, 4, 0}, "too little left": {5, 0.2, 0.1}, "no number": {5, math.NaN(), 0.1},
	} {
		_, err := Refract(Brix(c[0]), Brix(c[1]), c[2])
		require.ErrorContains(t, err, "refractometer", name)
	}
}

func TestMaltoseNegativeRefuses(t *testing.T) {
	_, err := SimpleSugar(0).OriginalGravityFor(Ceiling{Limit: 0.5})
	require.Error(t, err)
	_, err = SimpleSugarHigh.OriginalGravityFor(Ceiling{Limit: -1})
	require.Error(t, err)
}

func TestUnits(t *testing.T) {
	require.InDelta(t, 68, Celsius(20).Fahrenheit(), 1e-9)
	require.InDelta(t, 5, Litres(18.92705892).Gallons(), 1e-9)
	require.InDelta(t, 14.5038, Bar(1).PSI(), 1e-4)
	require.InDelta(t, 1.5, float64(SG(1.0015).Points()), 1e-9)
}

// The estimator asks thousands of times a reading.
func TestStrengthAllocatesNothing(t *testing.T) {
	for _, r := range Rules() {
		require.Zero(t, testing.AllocsPerRun(100, func() { _ = r.ABV(1.015, 1.011); _ = r.GravityAt(1.015, 0.5) }), r)
	}
}

func BenchmarkBallingABV(b *testing.B) {
	for b.Loop() {
		Balling.ABV(1.015, 1.011)
	}
}

func BenchmarkBallingGravityAt(b *testing.B) {
	for b.Loop() {
		Balling.GravityAt(1.015, 0.5)
	}
}

// What the rules say of a ceiling of 0.5 %: the whole window is 3.74 to 4.0
// points; hmrc is the least cautious, linear the most up to nearly 1.028, nonlinear
// above.
func TestWhichRuleIsTheStrictest(t *testing.T) {
	for og := SG(1.010); og < 1.0401; og += 0.001 {
		targets, err := Targets(og, Ceiling{Limit: 0.5})
		require.NoError(t, err)
		strictest := Linear
		if og > 1.0275 {
			strictest = Nonlinear
		}
		require.InDelta(t, float64(targets[Cautious]), float64(targets[strictest]), 1e-12, "%v", og)
		for r, g := range targets {
			require.GreaterOrEqual(t, g, targets[HMRC], "%s at %v", r, og)
			fall := float64(drop(og, g))
			require.True(t, fall > 3.69 && fall < 4.0001, "%s at %v: %v", r, og, fall)
		}
	}
}
