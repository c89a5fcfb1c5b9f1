package ingest

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// ICUMSA SPS-4 sucrose density at 20 °C, SG 20/20: both polynomials agree with
// it within 0.012 °P up to 20 °P.
func TestExtractBecomesGravity(t *testing.T) {
	for plato, sg := range map[float64]float64{0.5: 1.001933, 1: 1.003872, 2: 1.007772, 3: 1.011699} {
		require.InDelta(t, sg, sgOf(plato, "plato"), 5e-5, plato)
		require.InDelta(t, sg, sgOf(plato, "brix"), 5e-5, plato)
	}
	require.InDelta(t, 1.0, sgOf(998.2067, "kg/m3"), 1e-6)
	for _, x := range []float64{1e300, -1e300, -50, math.NaN(), math.Inf(1)} {
		for _, unit := range Units(Gravity) {
			require.False(t, inRange(Gravity, unit, sgOf(x, unit)), "%g %s", x, unit)
		}
	}
	require.True(t, inRange(Gravity, "plato", sgOf(40, "plato")))
}

// Computed from ICUMSA SPS-4 densities for a float of glass, 25e-6 per kelvin,
// made for 20 °C and reading 1.005: correction to add. The formula of the
// contract is first order, so half a point is what it is good for.
func TestCorrectionOfAGlassFloat(t *testing.T) {
	s := at20()
	s.Readings[0].Expansion = 25e-6
	for payload, add := range map[string]float64{
		`{"g":1.005,"t":0}`: -0.00125, `{"g":1.005,"t":4}`: -0.00145, `{"g":1.005,"t":10}`: -0.00130, `{"g":1.005,"t":20}`: 0,
	} {
		readings, refusals := mustCompile(t, s).Decode(message("cellar/float-1", payload))
		require.Empty(t, refusals)
		require.InDelta(t, add, readings[0].Value-1.005, 5e-4, payload)
	}
}
