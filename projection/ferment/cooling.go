package ferment

import (
	"math"
	"time"

	"ebbline/projection/gravity"
)

// gasConstant is R in J/(mol·K), exact since the 2019 SI.
const gasConstant = 8.31446261815324

// kelvinAtZero turns °C into K.
const kelvinAtZero = 273.15

// Cooling is beer on its way from one temperature to another by Newton's law:
// the difference to the surroundings shrinks by e each time constant.
type Cooling struct {
	Start gravity.Celsius // of the beer when the crash starts
	To    gravity.Celsius // of what surrounds it
	// TimeConstant of the beer in its vessel; not above zero means that the
	// beer is at To at once.
	TimeConstant time.Duration
}

// Temperature is that of the beer after t; before the start it is Start.
func (c Cooling) Temperature(t time.Duration) gravity.Celsius {
	switch {
	case t <= 0:
		return c.Start
	case c.TimeConstant <= 0:
		return c.To
	}
	left := math.Exp(-t.Seconds() / c.TimeConstant.Seconds())
	return c.To + (c.Start-c.To)*gravity.Celsius(left)
}

// TimeTo is how long the beer takes to reach temperature t, and false if it
// never does: it lies not between Start and To, or is To itself.
func (c Cooling) TimeTo(t gravity.Celsius) (time.Duration, bool) {
	if t == c.Start {
		return 0, true
	}
	left := float64((t - c.To) / (c.Start - c.To))
	if !(left > 0 && left < 1) {
		return 0, false
	}
	return time.Duration(-math.Log(left) * float64(max(c.TimeConstant, 0))), true
}

// EquivalentHours is for how many hours at the rate it had at the start the
// yeast works in the first horizon of cooling, if its rate changes by the
// factor q10 for every 10 K. Multiplied by the rate at the start it is the
// over-run. q10 must be above zero; 2 to 3 is sane for beer yeast, published
// sets span 1.5 to 4.
//
// The integral of q10^((T(t)−start)/10) has a closed form in the exponential
// integral: τ·e^(−a)·(Ei(a) − Ei(a·e^(−h/τ))) with a = ln q10·(start−to)/10.
// The difference of the two is summed as its series (Abramowitz & Stegun
// 5.1.10), in which the logarithms leave h/τ.
func EquivalentHours(start, to gravity.Celsius, tau time.Duration, q10 float64, horizon time.Duration) float64 {
	if horizon <= 0 {
		return 0
	}
	a := math.Log(q10) / 10 * float64(start-to)
	if tau <= 0 {
		return math.Exp(-a) * horizon.Hours()
	}
	b := a * math.Exp(-horizon.Seconds()/tau.Seconds())
	sum := horizon.Seconds() / tau.Seconds()
	powA, powB := 1.0, 1.0 // aⁿ/n!, bⁿ/n!
	for n := 1.0; n < 200; n++ {
		powA *= a / n
		powB *= b / n
		term := (powA - powB) / n
		sum += term
		if math.Abs(term) < 1e-15*math.Abs(sum) {
			break
		}
	}
	return tau.Hours() * math.Exp(-a) * sum
}

// OverRun is how many points a batch still falls in the first horizon of
// cooling when it falls at rate points an hour as the crash starts. It takes
// for granted that sugar does not run out, so it errs on the cautious side.
func OverRun(rate gravity.Points, c Cooling, q10 float64, horizon time.Duration) gravity.Points {
	return rate * gravity.Points(EquivalentHours(c.Start, c.To, c.TimeConstant, q10, horizon))
}

// Q10Factor is the rate at t over the rate at ref, for a rate that changes by
// the factor q10 every 10 K.
func Q10Factor(q10 float64, t, ref gravity.Celsius) float64 {
	return math.Pow(q10, float64(t-ref)/10)
}

// ArrheniusFactor is the rate at t over the rate at ref by Arrhenius' law.
// energy is the activation energy in kJ/mol; published sets of sugar uptake by
// beer yeast span 30 to 95 (Gee & Ramirez 1988).
func ArrheniusFactor(energy float64, t, ref gravity.Celsius) float64 {
	return math.Exp(energy * 1000 / gasConstant * (1/kelvin(ref) - 1/kelvin(t)))
}

// Q10OfEnergy is the Q10 that an activation energy in kJ/mol amounts to between
// t and t+10 °C.
func Q10OfEnergy(energy float64, t gravity.Celsius) float64 {
	return ArrheniusFactor(energy, t+10, t)
}

// EnergyOfQ10 is the activation energy, kJ/mol, that has the given Q10 between
// t and t+10 °C.
func EnergyOfQ10(q10 float64, t gravity.Celsius) float64 {
	return math.Log(q10) * gasConstant / 1000 / (1/kelvin(t) - 1/kelvin(t+10))
}

// VesselTimeConstant is τ = m·cp/(U·A) of mass kg of beer behind area m² of
// wall with the heat transfer coefficient u, W/(m²·K). The heat capacity of
// beer is 4.05 kJ/(kg·K) (brewery practice, after Briggs et al. 2004). It is
// zero unless mass, area and u are above zero.
func VesselTimeConstant(mass, area, u float64) time.Duration {
	if !(mass > 0 && area > 0 && u > 0) {
		return 0
	}
	const heatCapacity = 4050 // J/(kg·K)
	return time.Duration(mass * heatCapacity / (u * area) * float64(time.Second))
}

func kelvin(t gravity.Celsius) float64 { return float64(t) + kelvinAtZero }
