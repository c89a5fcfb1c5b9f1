package alert

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Priming adds 0.262 % ABV a volume of CO2 (balance of fermentation, as in the
// fact sheet): two volumes make 0.41 % to 0.93 %.
func TestKegAgainstBottle(t *testing.T) {
	b := brew()
	e := projection.Estimate{ABV: 0.41, ABVSD: 0.06}
	require.Equal(t, "Kegged under CO2 and kept cold it stays near 0.41 ± 0.06 % ABV. Primed for bottles, each volume of CO2 adds 0.26 % ABV: "+
		"2 volumes make it 0.93 ± 0.06 % ABV, above the ceiling of 0.5 % ABV.", kegOrBottle(&b, &e))
	b.Ceiling.Limit = 1.2
	require.NotContains(t, kegOrBottle(&b, &e), "above the ceiling")
}

// From 0.45 to 0.90 % ABV are 3.5 points of 0.13 %. Each makes 0.50 volumes
// (fact sheet), on 0.86 that beer holds at 20 °C under 1 atm (Weiss, Marine
// Chemistry 2 (1974) 203): 2.6 volumes, which without headspace stand under
// 2.6/0.86 atm. The headspace of 4 % takes a tenth or so of that.
func TestBottlesThatGetWarm(t *testing.T) {
	b := brew()
	st := State{
		Estimate: &projection.Estimate{ABV: 0.45, ABVSD: 0.06, Gravity: 1.0097}, Projection: &projection.Projection{},
		IfWarm: &projection.Quantiles{P90: 0.90}, Into: bottle,
	}
	got := ifBottlesWarm(words{}, &b, &st)
	full := 1.01325 * ((0.86+3.5*0.50)/0.86 - 1)
	require.InDelta(t, 2.06, full, 0.01)
	require.Contains(t, got, "more than 0.90 % ABV and 1.9 bar in the closed bottle")
	require.Contains(t, got, "primed with 2 volumes of CO2, to more than 1.42 % ABV and 4.1 bar")
	for _, said := range BeforePackaging(b, st) {
		require.Equal(t, strings.TrimSpace(said), said, "a sentence that stands alone")
	}
	st.IfWarm.P90 = 0.46
	require.Empty(t, ifBottlesWarm(words{}, &b, &st), "hardly anything left to ferment")
}

// Packaging closes the batch with its figures and their spread, whatever became
// of it.
func TestPackagedBeerHasItsFinalFigures(t *testing.T) {
	at := pitch.Add(90 * time.Hour)
	e := projection.Estimate{ABV: 0.41, ABVSD: 0.06, Gravity: 1.0101, GravitySD: 0.0004, Temperature: ptr(gravity.Celsius(2))}
	st := State{Now: at, Packaged: &at, Cold: &at, CrashStarted: &at, Estimate: &e, Projection: &projection.Projection{}, PH: ptr(3.8), Location: time.UTC}
	want := "Final figures: 0.41 ± 0.06 % ABV, SG 1.0101 ± 0.0004 from SG 1.0132, apparent attenuation 23.7 ± 3.5 %, pH 3.80."
	require.Contains(t, Sentence(brew(), st), want)
	st.PH = ptr(2.)
	require.Contains(t, Sentence(brew(), st), "pH 2.00, hardly that of beer.")
	st.Cold, st.PH, st.Plato = nil, nil, true
	require.Contains(t, Sentence(brew(), st), "Final figures: 0.41 ± 0.06 % ABV, 2.6 ± 0.1 °P from 3.4 °P, apparent attenuation 23.7 ± 3.5 %, no pH recorded.")
}

// Legal ceilings as listed in the fact sheet: low alcohol is not more than 1.2 %
// in the UK, less than 2.5 % in the USA, less than 1.1 % in Canada.
func TestWhatALabelMaySayElsewhere(t *testing.T) {
	half := gravity.Ceiling{Limit: 0.5}
	require.Equal(t, `As orientation, "low alcohol" may be said of beer below 2.5 % ABV in the USA, up to 1.2 % ABV in the UK, below 1.1 % ABV in Canada.`, elsewhere(half, 0.6))
	require.NotContains(t, elsewhere(half, 1.1), "Canada", "below means below")
	require.Contains(t, elsewhere(half, 1.2), "UK")
	require.Equal(t, `As orientation, "low alcohol" may be said of beer below 2.5 % ABV in the USA.`, elsewhere(gravity.Ceiling{Limit: 1.2}, 1.3))
	require.Empty(t, elsewhere(half, 3))
}

// 2 °C are 35.6 °F; a thermostat is set to half a degree C or a whole F, never
// warmer than was asked for.
func TestTemperaturesInTheBrewersScale(t *testing.T) {
	require.Equal(t, "2.0 °C", words{}.temp(2))
	require.Equal(t, "35.6 °F", words{fahr: true}.temp(2))
	require.InDelta(t, 12.5, float64(words{}.setting(12.9)), 1e-9)
	require.InDelta(t, 12.5, float64(words{}.setting(12.5)), 1e-9)
	set := words{fahr: true}.setting(12.9)
	require.Equal(t, "55 °F", words{fahr: true}.set(12.9))
	require.Equal(t, "35 °F", words{fahr: true}.set(2))
	require.Equal(t, "36 °F", words{fahr: true}.set(20./9), "as configured: 36 degF")
	require.Equal(t, "2.0 °C", words{}.set(2))
	require.LessOrEqual(t, float64(set), 12.9)
}

// A beer that stands at its ceiling is not offered 0.0 L of water.
func TestDilutionOfABeerAtItsCeiling(t *testing.T) {
	b := brew()
	got := mend(words{}, &b, projection.Quantiles{P50: 0.501, P90: 0.55})
	require.Contains(t, got, "about at the ceiling: diluting it with 10 % of its volume")
	require.NotContains(t, got, "0.0 L")
}
