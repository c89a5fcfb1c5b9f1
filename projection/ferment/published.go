package ferment

import (
	"math"
	"time"

	"ebbline/projection/gravity"
)

// publishedStep is the step, in hours, with which the published models are
// integrated: under half the time constant with which their glucose runs out.
const publishedStep = 0.005

// ThreeSugar is the state of Gee & Ramirez' model of growth on three sugars
// (Biotechnol. Bioeng. 31 (1988) 224; J. Inst. Brew. 100 (1994) 321), all in
// mol/m³. Two forms of its half saturation of maltose are in print; here it is
// exp(−19.15 + 14.4/RT), not exp(−19.5 + 14.4/RT).
type ThreeSugar struct {
	Glucose, Maltose, Maltotriose float64
	Biomass, Ethanol              float64
}

// ABV is the strength of the ethanol, % by volume at 20 °C: 46.068 g/mol at
// 0.78924 kg/L (OIML R 22).
func (s ThreeSugar) ABV() gravity.ABV { return gravity.ABV(5.837e-3 * s.Ethanol) }

// After is the state when d has passed at temperature t.
func (s ThreeSugar) After(d time.Duration, t gravity.Celsius) ThreeSugar {
	return s.after(d, t, 3.65e5)
}

// after is After with the constant of growth inhibition by crowding, K_X in
// mol²/m⁶; some published code leaves that out, which is K_X without limit.
func (s ThreeSugar) after(d time.Duration, t gravity.Celsius, crowdingConstant float64) ThreeSugar {
	rates := geeRamirezAt(t)
	start := s.Biomass
	f := func(y, dy []float64) {
		g, m, n, x := max(y[0], 0), max(y[1], 0), max(y[2], 0), y[3]
		byGlucose := rates.repressG / (rates.repressG + g)
		byMaltose := rates.repressM / (rates.repressM + m)
		uptakeG := rates.maxG * g / (rates.halfG + g)
		uptakeM := rates.maxM * m / (rates.halfM + m) * byGlucose
		uptakeN := rates.maxN * n / (rates.halfN + n) * byGlucose * byMaltose
		crowding := 1 / (1 + (x-start)*(x-start)/crowdingConstant)
		dy[0], dy[1], dy[2] = -uptakeG*x, -uptakeM*x, -uptakeN*x
		dy[3] = (0.134*uptakeG + 0.268*uptakeM + 0.402*uptakeN) * x * crowding
		dy[4] = (1.92*uptakeG + 3.84*uptakeM + 5.76*uptakeN) * x
	}
	y := []float64{s.Glucose, s.Maltose, s.Maltotriose, s.Biomass, s.Ethanol}
	integrate(y, d, f)
	return ThreeSugar{y[0], y[1], y[2], y[3], y[4]}
}

type threeSugarRates struct {
	maxG, maxM, maxN    float64 // uptake, mol sugar per mol biomass and hour
	halfG, halfM, halfN float64 // half saturation, mol/m³
	repressG, repressM  float64 // repression, mol/m³
}

func geeRamirezAt(t gravity.Celsius) threeSugarRates {
	rt := 1.987e-3 * kelvin(t) // kcal/mol, with the paper's own R
	k := func(logA, energy float64) float64 { return math.Exp(logA - energy/rt) }
	return threeSugarRates{
		maxG: k(35.77, 22.6), maxM: k(16.40, 11.3), maxN: k(10.59, 7.16),
		halfG: k(-121.3, -68.6), halfM: k(-19.15, -14.4), halfN: k(-26.78, -19.9),
		repressG: k(23.33, 10.2), repressM: k(55.61, 26.3),
	}
}

// TwoCells is the state of de Andrés-Toro's model of active, latent and dead
// cells (Math. Comput. Simul. 48 (1998) 65), which holds from about 9 to 16 °C:
// cells, sugar and ethanol in g/L, diacetyl and ethyl acetate in ppm.
type TwoCells struct {
	Active, Latent, Dead   float64
	Sugar, Ethanol         float64
	Diacetyl, EthylAcetate float64
}

// After is the state when d has passed at temperature t. pitchedSugar is the
// sugar at pitch, g/L, which sets the model's inhibition constants.
func (c TwoCells) After(d time.Duration, t gravity.Celsius, pitchedSugar float64) TwoCells {
	k := func(a, b float64) float64 { return math.Exp(a + b/kelvin(t)) }
	grow, uptake, wake := k(108.31, -31934.09), k(-41.92, 11654.64), k(30.72, -9501.54)
	die, settle, ferment := k(130.16, -38313), k(33.82, -10033.28), k(3.27, -1267.24)
	half, ester := k(-119.63, 34203.95), k(89.92, -26589)
	inhibit := 0.5 * pitchedSugar
	f := func(y, dy []float64) {
		active, latent, dead, s, e := y[0], y[1], y[2], max(y[3], 0), y[4]
		growth := grow * s / (inhibit + e)
		dy[0] = (growth-die)*active + wake*latent
		dy[1] = -wake * latent
		dy[2] = die*active - settle*inhibit/(inhibit+e)*dead
		dy[3] = -uptake * s / (half + s) * active
		dy[4] = ferment * s / (half + s) * (1 - e/inhibit) * active
		dy[5] = 0.000127672*s*active - 0.00113864*y[5]*e
		dy[6] = ester * growth * active
	}
	y := []float64{c.Active, c.Latent, c.Dead, c.Sugar, c.Ethanol, c.Diacetyl, c.EthylAcetate}
	integrate(y, d, f)
	return TwoCells{y[0], y[1], y[2], y[3], y[4], y[5], y[6]}
}

func integrate(y []float64, d time.Duration, f derivative) {
	solver := newRungeKutta(len(y))
	steps := int(math.Ceil(d.Hours() / publishedStep))
	for range steps {
		solver.step(y, d.Hours()/float64(steps), f)
	}
}
