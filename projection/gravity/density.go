package gravity

import "math"

// WaterDensity is the density of air-free water at 101 325 Pa, kg/m³, by the
// CIPM formula (Tanaka et al., Metrologia 38 (2001) 301). It holds from 0 to
// 40 °C; beyond, up to 100 °C, it stays within 0.4 kg/m³ of the steam tables.
func WaterDensity(t Celsius) Density {
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	x := float64(t)
	return Density(a5 * (1 - (x+a1)*(x+a1)*(x+a2)/(a3*(x+a4))))
}

// Density is the mass density at 20 °C of a liquid of relative density s, kg/m³.
func (s SG) Density() Density { return Density(s) * WaterDensity(20) }

// SG is the relative density 20/20 of a liquid whose density at 20 °C is d.
func (d Density) SG() SG { return SG(d / WaterDensity(20)) }

// Plato is the extract of a wort of relative density s, °P, by the cubic of the
// ASBC; it holds from 1.000 to 1.130 and is a smooth continuation outside. At
// 1.000 it gives −0.003 °P, as published.
func (s SG) Plato() Plato {
	x := float64(s)
	return Plato(-616.868 + x*(1111.14+x*(-630.272+x*135.997)))
}

// SG is the relative density of a wort of p °P, the inverse of [SG.Plato] to
// better than 1e-9 from 0.98 to 1.20 SG.
func (p Plato) SG() SG {
	return newton(1+SG(p)/258, float64(p), -616.868, 1111.14, -630.272, 135.997)
}

// Brix is the sucrose content of a solution of relative density s, °Bx, by the
// fit to NBS Circular 440, which holds from 1.00000 to 1.17874.
func (s SG) Brix() Brix {
	x := float64(s)
	return Brix(-669.56218 + x*(1262.7794+x*(-775.68212+x*182.46007)))
}

// SG is the relative density of a sucrose solution of b °Bx, the inverse of
// [SG.Brix] to better than 1e-9.
func (b Brix) SG() SG {
	return newton(1+SG(b)/258, float64(b), -669.56218, 1262.7794, -775.68212, 182.46007)
}

// newton finds the root of c0 + c1·x + c2·x² + c3·x³ = y near guess.
func newton(guess SG, y, c0, c1, c2, c3 float64) SG {
	x := float64(guess)
	for range 6 {
		x -= (c0 + x*(c1+x*(c2+x*c3)) - y) / (c1 + x*(2*c2+x*3*c3))
	}
	return SG(x)
}

// Correct brings what a float shows at temperature at, on a scale of relative
// density made for calibratedAt, to SG 20/20:
//
//	shown × ρw(calibratedAt)/ρw(at) × 1/(1+γ·(at−calibratedAt))
//
// expansion is γ, the cubic expansion of the float's body, 1/K (glass about
// 25e-6, steel 52e-6, polycarbonate 200e-6; handbook values, from memory). To
// first order: it takes the beer to expand like water, which costs about 0.0003
// at 1.010 and 4 °C. It holds from 0 to 40 °C and is the identity at
// calibratedAt.
func Correct(shown SG, at, calibratedAt Celsius, expansion float64) SG {
	if at == calibratedAt {
		return shown
	}
	water := float64(WaterDensity(calibratedAt) / WaterDensity(at))
	return shown * SG(water/(1+expansion*float64(at-calibratedAt)))
}

// Fahrenheit is t in °F.
func (t Celsius) Fahrenheit() float64 { return float64(t)*1.8 + 32 }

// litresPerGallon is that of the US liquid gallon, 231 in³ (NIST Handbook 44).
const litresPerGallon = 3.785411784

// Gallons is the volume in US liquid gallons.
func (v Litres) Gallons() float64 { return float64(v) / litresPerGallon }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
