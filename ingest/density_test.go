package ingest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// Tanaka et al., Metrologia 38 (2001) 301, table of the CIPM formula; the last
// value from the IAPWS tables (handbook value, from memory), far outside it.
func TestWaterDensity(t *testing.T) {
	for c, want := range map[gravity.Celsius]float64{0: 999.8428, 4: 999.9749, 20: 998.2067, 40: 992.2152} {
		require.InDelta(t, want, waterDensity(c), 1e-4, c)
	}
	require.InDelta(t, 958.4, waterDensity(100), 0.4)
}

// ICUMSA SPS-4 sucrose density at 20 °C, SG 20/20: both polynomials agree with
// it within 0.012 °P up to 20 °P.
func TestExtractBecomesGravity(t *testing.T) {
	for plato, sg := range map[float64]float64{0.5: 1.001933, 1: 1.003872, 2: 1.007772, 3: 1.011699} {
		require.InDelta(t, sg, float64(SGOf(plato, "plato")), 5e-5, plato)
		require.InDelta(t, sg, float64(SGOf(plato, "brix")), 5e-5, plato)
	}
	require.InDelta(t, 1.0, float64(SGOf(998.2067, "kg/m3")), 1e-6)
	require.False(t, inRange(Gravity, "plato", float64(SGOf(1e300, "plato"))))
	require.False(t, inRange(Gravity, "plato", float64(SGOf(-1e300, "plato"))))
}

// Computed from ICUMSA SPS-4 densities for a float of glass, 25e-6 per kelvin,
// calibrated at 20 °C and reading 1.005: correction to add. The formula of the
// contract is first order, so half a point is what it is good for.
func TestCorrectionOfAGlassFloat(t *testing.T) {
	for c, add := range map[gravity.Celsius]float64{0: -0.00125, 4: -0.00145, 10: -0.00130} {
		require.InDelta(t, add, corrected(1.005, c, 20, 25e-6)-1.005, 5e-4, c)
	}
	require.InDelta(t, 1.005, corrected(1.005, 20, 20, 25e-6), 1e-12)
}
