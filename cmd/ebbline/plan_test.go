package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// updatePlans rewrites the golden files of plans: go test ./cmd/ebbline -run Plan -update-plans.
var updatePlans = flag.Bool("update-plans", false, "rewrite the golden files of plans")

// runPlan runs the command as the program does, from its arguments.
func runPlan(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var c struct {
		Plan PlanCmd `cmd:""`
	}
	parser, err := kong.New(&c)
	require.NoError(t, err)
	_, err = parser.Parse(append([]string{"plan"}, args...))
	require.NoError(t, err)
	var out bytes.Buffer
	err = c.Plan.Run(&out)
	return out.String(), err
}

// planJSON is a plan read back as any reader of --json would.
func planJSON(t *testing.T, args ...string) map[string]any {
	t.Helper()
	out, err := runPlan(t, append(args, "--json")...)
	require.NoError(t, err)
	var p map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &p))
	return p
}

func TestPlanGolden(t *testing.T) {
	for name, args := range map[string][]string{
		"keg":              {"--og", "1.0155", "--ceiling", "0.5"},
		"bottle":           {"--og", "6 plato", "--ceiling", "1.2", "--package", "bottle", "--volume", "23 L"},
		"us":               {"--og", "1.020", "--ceiling", "< 0.5", "--rule", "hmrc", "--volume", "5 gal", "--temperature", "68 degF", "--crash-to", "36 degF", "--time-constant", "3h", "--units", "us"},
		"maltose-negative": {"--og", "8 plato", "--ceiling", "0.5", "--yeast", "maltose-negative", "--rule", "cautious", "--addition", "50 mL", "--strength", "40"},
		"no-room":          {"--og", "1.010", "--ceiling", "0.1", "--package", "bottle", "--sugar", "glucose_monohydrate", "--sample-sd", "1", "--float-sd", "0"},
		"ceilings":         {"--ceilings"},
	} {
		t.Run(name, func(t *testing.T) {
			out, err := runPlan(t, args...)
			require.NoError(t, err)
			file := filepath.Join("testdata", "plan", name+".golden")
			if *updatePlans {
				require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
				require.NoError(t, os.WriteFile(file, []byte(out), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(want), out)
			for line := range strings.Lines(out) {
				require.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), pageWidth, line)
				require.NotContains(t, strings.ToLower(line), " safe", "the tool never says it")
			}
		})
	}
}

// What the contract §7 promises to scripts.
func TestPlanJSONIsTheContract(t *testing.T) {
	p := planJSON(t, "--og", "1.0155", "--ceiling", "0.5")
	for _, rule := range gravity.Rules() {
		target, err := rule.Target(1.0155, gravity.Ceiling{Limit: 0.5})
		require.NoError(t, err)
		require.InDelta(t, float64(target), p["target_gravity"].(map[string]any)[string(rule)], 1e-12)
		require.InDelta(t, 15.5-float64(target.Points()), p["drop_points"].(map[string]any)[string(rule)], 1e-9)
	}
	require.Greater(t, p["stop_at"], p["target_gravity"].(map[string]any)["balling"], "the margin keeps the beer from the target")
	for _, field := range []string{"over_run_points", "lead_hours"} {
		q := p[field].(map[string]any)
		require.Less(t, q["p10"], q["p50"], field)
		require.Less(t, q["p50"], q["p90"], field)
	}
	require.NotEmpty(t, p["cautions"])

	plato := planJSON(t, "--og", "4 plato", "--ceiling", "0.5")
	require.InDelta(t, 4, plato["original_plato"], 1e-9)
}

// Less than and not more than part only where the law has steps.
func TestPlanTellsLessThanFromNotMoreThan(t *testing.T) {
	drop := func(ceiling string) any {
		return planJSON(t, "--og", "1.015", "--ceiling", ceiling)["drop_points"].(map[string]any)["hmrc"]
	}
	require.InDelta(t, 4.0, drop("0.5"), 1e-9)
	require.InDelta(t, 3.9, drop("< 0.5"), 1e-9)
}

func TestPlanRefusesNonsense(t *testing.T) {
	good := map[string]string{"og": "1.0155", "ceiling": "0.5"}
	for name, c := range map[string]struct{ flag, value, says string }{
		"lighter than water":          {"og", "0.998", "not above 1.000"},
		"water":                       {"og", "1.000", "not above 1.000"},
		"extract without its unit":    {"og", "12", "write 12 plato"},
		"no gravity":                  {"og", "", "--og: missing"},
		"a thousandfold gravity":      {"og", "1015", "--og: 1015; did you mean 1.015?"},
		"points":                      {"og", "15 points", "none or sg, plato, brix or kg/m3"},
		"no ceiling":                  {"ceiling", "", "--ceiling: missing"},
		"no alcohol at all":           {"ceiling", "0", "no stop to plan"},
		"more than the wort can make": {"ceiling", "5", "give a higher --og or a lower --ceiling"},
		"a rule not known":            {"rule", "best", "balling, hmrc, linear, nonlinear or cautious"},
		"a negative volume":           {"volume", "-19 L", "must be above nought"},
		"a unit not known":            {"volume", "3 barrels", "L, mL, hL or gal (US)"},
		"a bare temperature":          {"temperature", "20", "write 20 Cel or 20 degF"},
		"too hot":                     {"temperature", "60 Cel", "4 to 40 Cel"},
		"a crash that warms":          {"crash-to", "25 Cel", "a crash cools"},
		"a time constant of nought":   {"time-constant", "0s", "above 0 to 72h"},
		"a time constant of weeks":    {"time-constant", "500h", "--time-constant: 500h; allowed is above 0 to 72h"},
		"certainty":                   {"risk", "0", "above 0 and below 1"},
		"a yeast not known":           {"yeast", "wild", "standard or maltose-negative"},
		"a package not known":         {"package", "cask", "keg or bottle"},
		"units not known":             {"units", "imperial", "metric or us"},
		"a sugar not known":           {"sugar", "honey", "sucrose, glucose"},
		"a bomb":                      {"carbonation", "9", "0 to 6"},
		"half an addition":            {"addition", "50 mL", "belong together"},
		"strength without volume":     {"strength", "40", "belong together"},
		"an error below nought":       {"og-sd", "-1", "0 to 100"},
	} {
		t.Run(name, func(t *testing.T) {
			args := []string{"--" + c.flag + "=" + c.value}
			for flag, value := range good {
				if flag != c.flag {
					args = append(args, "--"+flag+"="+value)
				}
			}
			out, err := runPlan(t, args...)
			require.ErrorContains(t, err, c.says)
			require.ErrorAs(t, err, new(usageError), "exit status 2")
			require.Empty(t, out)
			require.NotContains(t, err.Error(), "\n", "one line")
		})
	}
	_, err := runPlan(t, "--og=0.9985", "--ceiling=-1", "--volume=0 L")
	require.ErrorContains(t, err, "--og")
	require.ErrorContains(t, err, "--ceiling", "all faults are told at once")
	require.ErrorContains(t, err, "--volume")
}

// Without float and sample nothing tells where the beer stands.
func TestPlanNeedsAMeasurement(t *testing.T) {
	_, err := runPlan(t, "--og", "1.0155", "--ceiling", "0.5", "--float-sd", "0", "--sample-sd", "0")
	require.ErrorContains(t, err, "neither float nor sample")
}

func TestPlanListsCeilingsAsJSON(t *testing.T) {
	out, err := runPlan(t, "--ceilings", "--json")
	require.NoError(t, err)
	var list struct {
		Ceilings []gravity.LegalCeiling `json:"ceilings"`
		Cautions []string               `json:"cautions"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	require.Len(t, list.Ceilings, 25)
	require.Contains(t, list.Cautions, gravity.CautionLaw)
}

// A bottle's sugar takes its alcohol out of the ceiling: common practice has it
// that bottle conditioning adds up to about half a percent.
func TestPlanForBottlesLeavesRoomForPriming(t *testing.T) {
	p := planJSON(t, "--og", "1.022", "--ceiling", "1.2", "--package", "bottle")
	k := p["packaging"].(map[string]any)
	require.InDelta(t, 0.4, k["added_abv"], 0.05)
	require.Greater(t, k["stop_at"], p["stop_at"], "stopped higher than for a keg")
	fall := (k["stop_at"].(float64) - p["stop_at"].(float64)) * 1000
	require.InDelta(t, 0.4/0.13, fall, 0.4, "0.13 % ABV a point")
	require.Contains(t, p["cautions"], gravity.CautionBottle)

	keg := planJSON(t, "--og", "1.022", "--ceiling", "1.2")
	require.Zero(t, keg["packaging"].(map[string]any)["added_abv"])
	require.NotContains(t, keg["cautions"], gravity.CautionBottle)
}

// A tincture of 50 mL at 40 % in 19 L brings 20 mL of alcohol: 0.105 %.
func TestPlanCountsAnAddition(t *testing.T) {
	p := planJSON(t, "--og", "1.022", "--ceiling", "1.2", "--addition", "50 mL", "--strength", "40")
	require.InDelta(t, 0.105, p["packaging"].(map[string]any)["added_abv"], 0.005)
}

// Yeast that takes no maltose rests below its ceiling in a weak wort.
func TestPlanForYeastThatTakesNoMaltose(t *testing.T) {
	p := planJSON(t, "--og", "5 plato", "--ceiling", "0.5", "--yeast", "maltose-negative")
	m := p["maltose_negative"].(map[string]any)
	require.InDelta(t, 0.313, m["abv_low"], 0.002)  // maltose_negative_cap.csv
	require.InDelta(t, 0.375, m["abv_high"], 0.002) // the same
	require.InDelta(t, 1.0262, m["original_gravity_that_rests_below"], 0.0005)
	require.Nil(t, planJSON(t, "--og", "5 plato", "--ceiling", "0.5")["maltose_negative"])
}

// Where cooling alone uses up the drop the plan says so first.
func TestPlanWarnsWhenCoolingIsTooSlow(t *testing.T) {
	p := planJSON(t, "--og", "1.0155", "--ceiling", "0.5", "--time-constant", "30h", "--temperature", "28 Cel")
	require.Contains(t, p["warnings"].([]any)[0], "Cool faster")
	require.Empty(t, planJSON(t, "--og", "1.0155", "--ceiling", "0.5")["warnings"])
}

// A little wort that could not go over by a tenth of a per cent has no rescue.
func TestPlanOfAlmostNoWort(t *testing.T) {
	p := planJSON(t, "--og", "1.003", "--ceiling", "0.42")
	require.Nil(t, p["rescue"])
	require.NotEmpty(t, p["cautions"])
}
