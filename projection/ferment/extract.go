package ferment

import "ebbline/projection/gravity"

// Balling's balance (1865): 2.0665 g of extract give 1 g of ethanol, 0.9565 g
// of CO2, which leaves, and 0.11 g of yeast, which is not dissolved.
const (
	extractPerEthanol = 2.0665
	lostPerEthanol    = 0.9565 + 0.11
)

// plato is extract by the ASBC cubic.
func plato(s gravity.SG) float64 {
	x := float64(s)
	return -616.868 + 1111.14*x - 630.272*x*x + 135.997*x*x*x
}

// sgOfPlato inverts plato by Newton's method.
func sgOfPlato(p float64) gravity.SG {
	x := 1 + p/258
	for range 4 {
		x -= (plato(gravity.SG(x)) - p) / (1111.14 - 2*630.272*x + 3*135.997*x*x)
	}
	return gravity.SG(x)
}

// fermented is the gravity of a wort of original gravity og of which eaten g of
// extract per 100 g were consumed, by Balling's balance and his relation of
// apparent to real extract.
func fermented(og gravity.SG, eaten float64) gravity.SG {
	original := plato(og)
	ethanol := eaten / extractPerEthanol
	real := (original - eaten) * 100 / (100 - ethanol*lostPerEthanol)
	apparent := (real - 0.1808*original) / 0.8192
	return sgOfPlato(apparent)
}

// abvOf is ABV by Balling's rule.
func abvOf(og, now gravity.SG) gravity.ABV {
	original, apparent := plato(og), plato(now)
	real := 0.1808*original + 0.8192*apparent
	byWeight := (original - real) / (2.0665 - 0.010665*original)
	return gravity.ABV(byWeight * float64(now) / 0.794)
}

// waterDensity is that of water in kg/m³ from 0 to 40 °C (CIPM, Tanaka 2001).
func waterDensity(t gravity.Celsius) float64 {
	x := float64(t)
	return 999.974950 * (1 - (x-3.983035)*(x-3.983035)*(x+301.797)/(522528.9*(x+69.34881)))
}
