package gravity

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The steps of acidity are the published ones: 3.9 common practice; 4.0 and 4.3
// Menz et al. 2011; 4.6 21 CFR 114.3.
func TestAcidity(t *testing.T) {
	for p, want := range map[PH]Acidity{
		3.5: AcidityUsual, 3.9: AcidityUsual, 3.91: AcidityHigh, 4.0: AcidityHigh, 4.01: AcidityStrong,
		4.29: AcidityStrong, 4.3: AcidityGrowth, 4.6: AcidityGrowth, 4.61: AcidityUnsafe, 7: AcidityUnsafe,
	} {
		require.Equal(t, want, p.Judge(), "%v", p)
		require.Equal(t, want == AcidityUsual, want.Text() == "")
	}
	require.Equal(t, AcidityUnsafe, PH(math.NaN()).Judge())
	require.Contains(t, AcidityUnsafe.Text(), "unless pasteurised")
}

func TestSafetyFactsStandInTheCautions(t *testing.T) {
	facts := map[string]string{}
	for _, r := range table(t, "safety_facts", 10) {
		facts[r["fact"]] = r["value"]
	}
	require.Contains(t, facts["Acid food"], "pH 4.6 or below")
	require.Contains(t, CautionAcid, "above 4.6")
	require.Contains(t, facts["Cold holding (TCS food)"], "5 C / 41 F")
	require.Contains(t, CautionCold, "5 °C (41 °F)")
	require.Contains(t, facts["Menz et al. 2011"], "no growth at pH 4.0")
	require.Contains(t, facts["Menz et al. 2011"], "as-received pH 4.3")
}

func TestEverySituationHasItsCautions(t *testing.T) {
	for _, s := range []Situation{Planning, Pitching, Waiting, Stopping, Packaging, Bottling, Stating, Serving, Switching} {
		texts := Cautions(s)
		require.NotEmpty(t, texts, s)
		for _, text := range texts {
			require.NotContains(t, " "+strings.ToLower(text), " safe", "the tool never says it")
			require.True(t, strings.HasSuffix(text, "."))
		}
	}
	require.Contains(t, Cautions(Bottling), CautionBottle)
	require.NotContains(t, Cautions(Packaging), CautionBottle)
	require.Contains(t, Cautions(Serving), CautionDrinkers)
	require.Nil(t, Cautions("sleeping"))
}
