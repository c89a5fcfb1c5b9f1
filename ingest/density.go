package ingest

import (
	"math"

	"ebbline/projection/gravity"
)

// sgOf converts a gravity given in one of Units(Gravity) to SG 20/20; a density
// is taken as that at 20 °C. It is NaN for an extract beyond all wort, where
// the polynomials are no guide.
func sgOf(x float64, unit string) float64 {
	if (unit == "plato" || unit == "brix") && !(x >= -10 && x <= 60) {
		return math.NaN()
	}
	switch unit {
	case "plato":
		return float64(gravity.Plato(x).SG())
	case "brix":
		return float64(gravity.Brix(x).SG())
	case "kg/m3":
		return float64(gravity.Density(x).SG())
	}
	return x
}
