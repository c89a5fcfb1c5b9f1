package ingest

import "ebbline/projection/gravity"

// waterDensity is the density of air-free water in kg/m³ (Tanaka et al.,
// Metrologia 38 (2001) 301, the CIPM formula, 0..40 °C; outside it stays within
// 0.4 kg/m³ of the tables up to 100 °C).
func waterDensity(t gravity.Celsius) float64 {
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	x := float64(t)
	return a5 * (1 - (x+a1)*(x+a1)*(x+a2)/(a3*(x+a4)))
}

// SGOf converts a gravity given in one of Units(Gravity) to SG 20/20. Extract
// goes by the ASBC polynomial, Brix by the fit of NBS Circular 440, density is
// taken as that at 20 °C. Nonsense in gives nonsense out, outside 0.980..1.200.
func SGOf(x float64, unit string) gravity.SG {
	switch unit {
	case "plato":
		return invert(x, asbc)
	case "brix":
		return invert(x, nbs)
	case "kg/m3":
		return gravity.SG(x / waterDensity(20))
	}
	return gravity.SG(x)
}

// asbc is extract in °P from SG, nbs is Brix from SG.
func asbc(s float64) float64 { return -616.868 + s*(1111.14+s*(-630.272+s*135.997)) }
func nbs(s float64) float64  { return -669.56218 + s*(1262.7794+s*(-775.68212+s*182.46007)) }

// invert finds the SG at which a rising scale shows x, between 0.9 and 1.3.
func invert(x float64, scale func(float64) float64) gravity.SG {
	low, high := 0.9, 1.3
	for range 50 { // to less than 1e-15
		mid := (low + high) / 2
		if scale(mid) < x {
			low = mid
		} else {
			high = mid
		}
	}
	return gravity.SG(low)
}

// corrected brings what a float shows, on a scale made for cal, to SG 20/20
// (contract §4): shown × ρw(cal)/ρw(t) × 1/(1+γ(t−cal)).
func corrected(shown float64, t, cal gravity.Celsius, expansion float64) float64 {
	return shown * waterDensity(cal) / waterDensity(t) / (1 + expansion*float64(t-cal))
}
