package gravity

import (
	"bytes"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// Tanaka et al., Metrologia 38 (2001) 301, printed to four decimals.
func TestWaterDensityIsThatOfTanaka(t *testing.T) {
	for _, r := range table(t, "water_density", 26) {
		at := Celsius(r.num(t, "t_C"))
		require.InDelta(t, r.num(t, "tanaka2001"), float64(WaterDensity(at)), 6e-5, "at %v °C", at)
		require.InDelta(t, r.num(t, "rel_to_20C"), float64(WaterDensity(at)/WaterDensity(20)), 6e-8, "at %v °C", at)
		// Kell 1975 and Bettin & Spieweck 1990 were measured apart from it; the
		// three agree within 4 g/m³ from 0 to 40 °C.
		require.InDelta(t, r.num(t, "kell1975"), float64(WaterDensity(at)), 4e-3, "at %v °C", at)
		require.InDelta(t, r.num(t, "bettin_spieweck1990"), float64(WaterDensity(at)), 5e-3, "at %v °C", at)
	}
}

// The ASBC and NBS polynomials against sucrose density of ICUMSA SPS-4.
func TestExtractFollowsSucroseDensity(t *testing.T) {
	for _, r := range table(t, "plato_sg", 23) {
		truth, apparent := r.num(t, "plato_or_brix"), SG(r.num(t, "sg20_20_apparent"))
		// The polynomials were evaluated at the apparent SG; six digits of it
		// leave 3e-4 °P.
		require.InDelta(t, r.num(t, "asbc_poly_P"), float64(apparent.Plato()), 4e-4, "%v °P", truth)
		require.InDelta(t, r.num(t, "nbs_poly_Bx"), float64(apparent.Brix()), 4e-4, "%v °P", truth)
		if truth <= 20 { // fits and density agree within 0.012 °P
			require.InDelta(t, truth, float64(apparent.Plato()), 0.0125, "%v °P", truth)
			require.InDelta(t, float64(apparent), float64(Plato(truth).SG()), 5.5e-5, "%v °P", truth)
			require.InDelta(t, float64(apparent), float64(Brix(truth).SG()), 5.5e-5, "%v °P", truth)
		}
		density := r.num(t, "density20_kgm3")
		require.InDelta(t, r.num(t, "sg20_20_true"), float64(Density(density).SG()), 5e-6, "%v °P", truth) // the table's water is 998.203
	}
}

func TestExtractTable(t *testing.T) {
	for _, r := range table(t, "sg_to_plato", 31) {
		s := SG(r.num(t, "sg"))
		require.InDelta(t, r.num(t, "asbc_plato"), float64(s.Plato()), 6e-5, "%v", s)
		require.InDelta(t, r.num(t, "nbs_brix"), float64(s.Brix()), 6e-5, "%v", s)
		// "points over four is °P": common practice, good to 0.26 °P up to 1.060.
		require.InDelta(t, r.num(t, "points_over_4"), float64(s.Plato()), 0.27, "%v", s)
	}
}

// The four rules; the sources stand beside each in rules.go. Four decimals printed.
func TestRulesSideBySide(t *testing.T) {
	for _, r := range table(t, "abv_cross_table", 95) {
		og, fg := SG(r.num(t, "og")), SG(r.num(t, "fg"))
		for column, rule := range map[string]Rule{"hmrc": HMRC, "linear_131_25": Linear, "hall_nonlinear": Nonlinear, "balling_0794": Balling} {
			require.InDelta(t, r.num(t, column), float64(rule.ABV(og, fg)), 6e-5, "%s %v → %v", rule, og, fg)
		}
		// The other divisor, of ethanol at 20/20 °C, gives 0.4 % more.
		require.InDelta(t, r.num(t, "balling_0791"), float64(Balling.ABV(og, fg))*0.794/0.7907, 6e-5, "%v → %v", og, fg)
	}
}

// HM Revenue and Customs, Excise Notice 226 §30.2–30.3.
func TestHMRCBands(t *testing.T) {
	for _, r := range table(t, "hmrc_factor", 11) {
		for edge, abv := range map[string]string{"from_deg": "recomputed_abv_from", "to_deg": "recomputed_abv_to"} {
			degrees := r.num(t, edge)
			got := HMRC.ABV(1.110, 1.110-SG(degrees)/1000)
			require.InDelta(t, r.num(t, abv), float64(got), 6e-5, "%v degrees", degrees)
			require.InDelta(t, degrees*r.num(t, "factor"), float64(got), 1e-9, "%v degrees", degrees)
		}
	}
}

// The drop at which each rule reaches a ceiling.
func TestDropToTheCeiling(t *testing.T) {
	for _, r := range table(t, "stop_gravity", 77) {
		og, limit := SG(r.num(t, "og")), Ceiling{Limit: ABV(r.num(t, "ceiling_abv"))}
		for column, rule := range map[string]Rule{"drop_linear": Linear, "drop_hall": Nonlinear, "drop_balling0794": Balling, "drop_hmrc": HMRC} {
			g, err := rule.Target(og, limit)
			require.NoError(t, err)
			require.InDelta(t, r.num(t, column), float64(drop(og, g)), 6e-4, "%s from %v to %v", rule, og, limit) // three decimals printed
		}
		for column, rule := range map[string]Rule{"stop_sg_hall": Nonlinear, "stop_sg_balling0794": Balling} {
			g, err := rule.Target(og, limit)
			require.NoError(t, err)
			require.InDelta(t, r.num(t, column), float64(g), 6e-6, "%s from %v to %v", rule, og, limit)
		}
	}
}

// The table was made with the density of sucrose solutions, which expand more
// than water does. Correct takes them to expand like water: that costs up to
// 0.03 points for each point of the beer 20 K off the scale's temperature, half a
// point at 1.015 and 0 °C. At 20 °C both are nought.
func TestFloatCorrection(t *testing.T) {
	bodies := map[string]float64{"glass_25e-6": 25e-6, "stainless_52e-6": 52e-6, "polycarbonate_200e-6": 200e-6, "HDPE_400e-6": 400e-6}
	for _, r := range table(t, "float_temp_correction_sg", 56) {
		at, shown := Celsius(r.num(t, "t_C")), SG(r.num(t, "obs_sg"))
		for column, expansion := range bodies {
			got := float64(Correct(shown, at, 20, expansion) - shown)
			perPoint := 3.2e-5 * math.Abs(float64(at-20)) / 20 // what sugar adds to the expansion, per point
			truth := float64(shown.Points()) + r.num(t, column)*1000
			require.InDelta(t, r.num(t, column), got, 4e-5+perPoint*truth, "%s %v at %v °C", column, shown, at)
		}
	}
}

// The same for a glass float with a scale of extract: first order again, in °Bx.
func TestGlassCorrectionInExtract(t *testing.T) {
	for _, r := range table(t, "hydrometer_temp_correction_brix", 21) {
		at := Celsius(r.num(t, "t_C"))
		for column, shown := range map[string]Plato{"obs_0": 0, "obs_5": 5, "obs_10": 10, "obs_15": 15, "obs_20": 20} {
			got := float64(Correct(shown.SG(), at, 20, 25e-6).Plato() - shown)
			require.InDelta(t, r.num(t, column), got, 0.025+0.028*float64(shown)*math.Abs(float64(at-20))/20, "%s at %v °C", column, at)
		}
	}
}

// Weiss, Marine Chemistry 2 (1974) 203, and a trade table of carbonation.
func TestCO2Solubility(t *testing.T) {
	for _, r := range table(t, "co2_saturation_1atm", 21) {
		at := Celsius(r.num(t, "t_C"))
		require.InDelta(t, r.num(t, "K0_mol_L_atm"), solubility(at), 1e-6, "at %v °C", at)
		require.InDelta(t, r.num(t, "volumes"), float64(SaturationCO2(at)), 6e-5, "at %v °C", at)
		require.InDelta(t, r.num(t, "g_per_L"), float64(SaturationCO2(at))*gramsPerVolume, 2e-4, "at %v °C", at)
		if r["published_vol"] != "" {
			// The trade table is printed to a tenth or a hundredth; it differs by 3 %.
			require.InDelta(t, r.num(t, "published_vol"), float64(SaturationCO2(at)), 0.04, "at %v °C", at)
		}
	}
}

func TestEquilibriumPressureTable(t *testing.T) {
	for _, r := range table(t, "co2_equilibrium_pressure", 96) {
		p := EquilibriumPressure(Volumes(r.num(t, "volumes")), Celsius(r.num(t, "t_C")))
		require.InDelta(t, r.num(t, "p_gauge_bar"), float64(p), 6e-4, "%v", r)
		require.InDelta(t, r.num(t, "p_gauge_psi"), p.PSI(), 6e-3, "%v", r)
	}
}

func TestRefermentPressureTable(t *testing.T) {
	for _, r := range table(t, "referment_pressure", 162) {
		// The table's beer has an original gravity of 1.020; where it stood when
		// closed is not told, and moves a point's alcohol by 0.3 % at most.
		beer := Referment{1.020, 1.016, Volumes(r.num(t, "v0")), r.num(t, "headspace")}
		p, abv, made, err := beer.Pressure(Points(r.num(t, "further_drop_points")), Celsius(r.num(t, "t_C")))
		require.NoError(t, err)
		require.InEpsilon(t, r.num(t, "added_abv"), float64(abv), 0.008, "%v", r)
		require.InEpsilon(t, r.num(t, "added_volumes"), float64(made), 0.008, "%v", r)
		require.InDelta(t, r.num(t, "gauge_bar"), float64(p), 0.006+0.009*r.num(t, "added_volumes"), "%v", r)
		require.InDelta(t, r.num(t, "gauge_psi"), p.PSI(), 0.06+0.14*r.num(t, "added_volumes"), "%v", r)
	}
}

// Stoichiometry from molar masses; three significant digits printed.
func TestPrimingTable(t *testing.T) {
	for _, r := range table(t, "priming_stoichiometry", 5) {
		s, err := ParseSugar(r["sugar"])
		require.NoError(t, err)
		co2, ethanol := s.Yield()
		require.InDelta(t, r.num(t, "g_CO2_per_g"), co2, 6e-5)
		require.InDelta(t, r.num(t, "g_EtOH_per_g"), ethanol, 6e-5)
		require.InDelta(t, r.num(t, "g_per_L_per_volume"), s.Dose(1), 6e-4)
		require.InDelta(t, r.num(t, "abv_pct_per_volume"), float64(PrimingABV(1)), 6e-5)
		require.InDelta(t, r.num(t, "abv_pct_per_g_per_L"), float64(PrimingABV(1))/s.Dose(1), 6e-5)
		// "4 g of sugar a litre for a volume": common practice.
		require.InEpsilon(t, 4, s.Dose(1), 0.12)
	}
}

func TestMaltoseNegativeCapTable(t *testing.T) {
	for _, r := range table(t, "maltose_negative_cap", 27) {
		og, share := SG(r.num(t, "sg")), SimpleSugar(r.num(t, "simple_sugar_fraction"))
		// The table takes a litre of water for 1000 g, 0.2 % high, and rounds
		// the gravity to four digits.
		require.InEpsilon(t, r.num(t, "max_abv_pct"), float64(share.Cap(og)), 0.006, "%v", r)
	}
}

// What the formulas take for granted, against the table of constants.
func TestConstantsTable(t *testing.T) {
	byName := map[string]row{}
	for _, r := range table(t, "constants", 18) {
		byName[r["name"]] = r
	}
	require.InDelta(t, ethanolDensity, byName["ethanol density 20 C"].num(t, "value"), 0.07) // OIML R 22, from memory
	require.InDelta(t, ethanolSG, byName["ethanol SG 60/60 F"].num(t, "value"), 1e-9)        // common practice
	require.InDelta(t, extractPerEthanol, byName["Balling extract per g ethanol"].num(t, "value"), 1e-9)
	require.InDelta(t, gramsPerVolume, byName["CO2 g per volume"].num(t, "value"), 5e-5)
	// Balling's balance closes: extract is ethanol, gas and yeast.
	require.InDelta(t, extractPerEthanol, 1+byName["Balling CO2 per g ethanol"].num(t, "value")+byName["Balling yeast per g ethanol"].num(t, "value"), 1e-9)
}

// The usual span of simple sugar is that of the table of wort sugars.
func TestSimpleSugarIsThatOfWort(t *testing.T) {
	var low, high float64
	for _, r := range table(t, "wort_sugars", 5) {
		if r["sugar"] == "glucose+fructose" || r["sugar"] == "sucrose" {
			low, high = low+r.num(t, "low_pct"), high+r.num(t, "high_pct")
		}
	}
	require.InDelta(t, low/100, float64(SimpleSugarLow), 1e-9)
	require.InDelta(t, high/100, float64(SimpleSugarHigh), 1e-9)
}

// The embedded table is the reference, byte for byte.
func TestLegalCeilings(t *testing.T) {
	want, err := os.ReadFile("../../testdata/reference/legal_ceilings.csv")
	require.NoError(t, err)
	require.True(t, bytes.Equal(want, legalCeilings))
	all, err := LegalCeilings()
	require.NoError(t, err)
	require.Len(t, all, 25)
	for _, c := range all {
		require.NotEmpty(t, c.Place)
		require.NotEmpty(t, c.Term)
		require.NotEmpty(t, c.Source)
		require.NotEmpty(t, c.Certainty)
	}
	// Two that the project's comparison rests on: 27 CFR 7.65 and the UK
	// descriptors.
	require.Equal(t, "less than", all[0].Comparison)
	require.Equal(t, "0.5", all[0].Limit)
	require.Contains(t, all, LegalCeiling{"UK", "low alcohol", "1.2", "not more than", "", "same", "VERIFIED"})
}
