package projection

import "math"

// refKelvin is 18 °C, at which rates and lags are stated; gasK is R in kJ/(mol·K).
const (
	refKelvin = 291.15
	gasK      = 8.31446261815324e-3
	lagEnergy = 60 / gasK // K
	coldBelow = 10.0      // °C, below which yeast settles
)

// climate is the temperature as kinetics needs it: 1/Tref − 1/T, whether it is cold.
type climate struct {
	arrhenius float64 // 1/K
	lag       float64 // the factor on the lag's clock
	cold      float64 // 0..1
}

func climateAt(celsius float64) climate {
	a := 1/refKelvin - 1/(celsius+273.15)
	return climate{arrhenius: a, lag: math.Exp(lagEnergy * a), cold: min(1, max(0, (coldBelow-celsius)/4))}
}

// strain is the parameters of one hypothesis, ready to compute with.
type strain struct {
	og              float64 // points
	simple, complex float64 // sugar at pitch, points
	rate1, rate2    float64 // points/h
	lag             float64 // h
	pitched, crowd  float64 // share of the most, points
	energy1         float64 // K
	energy2         float64 // K
	half, repress   float64 // points
	settle          float64 // 1/h
	cool            float64 // factor
	bend            [3]float64
}

func newStrain(th *[numParams]float64) strain {
	simple := inverse(th[pSimple])
	rate := math.Exp(th[pRate])
	return strain{
		og:      th[pOG],
		simple:  simple * th[pOG],
		complex: (1 - simple) * inverse(th[pComplex]) * th[pOG],
		rate1:   rate,
		rate2:   rate * math.Exp(th[pSecond]),
		lag:     math.Exp(th[pLag]),
		pitched: inverse(th[pPitched]),
		crowd:   math.Exp(th[pCrowd]),
		energy1: min(130, max(15, th[pEnergy1])) / gasK,
		energy2: min(130, max(15, th[pEnergy1]+th[pEnergy2])) / gasK,
		half:    math.Exp(th[pHalf]),
		repress: math.Exp(th[pRepress]),
		settle:  math.Exp(th[pSettle]),
		cool:    math.Exp(th[pCool]),
		bend:    [3]float64{th[pBend1], th[pBend2], th[pBend3]},
	}
}

// brew is the state of one hypothesis.
type brew struct {
	used1, used2 float64 // sugar consumed, points
	woke         float64 // the lag's clock, h at 18 °C
	settled      float64 // ∫ settling, as exponent
}

func (b brew) drop() float64 { return b.used1 + b.used2 }

// uptake is a strain's rates in one climate.
type uptake struct {
	climate      climate
	rate1, rate2 float64 // points/h
}

func (s *strain) uptakeAt(c climate) uptake {
	return uptake{c, s.rate1 * math.Exp(s.energy1*c.arrhenius), s.rate2 * math.Exp(s.energy2*c.arrhenius)}
}

// step runs the state on by dt hours in a climate; mood is a factor on the rate.
func (s *strain) step(b *brew, c climate, dt, mood float64) {
	u := s.uptakeAt(c)
	u.rate1 *= mood
	u.rate2 *= mood
	s.stepWith(b, &u, dt)
}

// stepWith runs the state on by dt hours. Uptake saturates with the sugar left;
// yeast grows with what was consumed and is crowded; simple sugar represses the
// uptake of complex sugar. The form 1 − 1/(1+x+x²/2) keeps any step positive.
func (s *strain) stepWith(b *brew, u *uptake, dt float64) {
	b.woke += u.climate.lag * dt
	x := b.woke / s.lag
	x *= x
	x *= x
	used := b.used1 + b.used2
	yeast := x / (1 + x) * (s.pitched + (1-s.pitched)*used/(used+s.crowd)) * dt
	yeast *= s.strays(used)
	if u.climate.cold > 0 {
		b.settled += s.settle * u.climate.cold * dt
	}
	if b.settled > 0 {
		yeast *= math.Exp(-b.settled)
	}
	left1, left2 := max(0, s.simple-b.used1), max(0, s.complex-b.used2)
	k1 := u.rate1 * yeast / (s.half + left1)
	k2 := u.rate2 * yeast * s.repress / ((s.half + left2) * (s.repress + left1))
	b.used1 += left1 * (1 - 1/(1+k1*(1+0.5*k1)))
	b.used2 += left2 * (1 - 1/(1+k2*(1+0.5*k2)))
}

// strays is the factor by which the rate strays from the model when used points
// are consumed: 1 at the start, straight between the bends, the last beyond.
func (s *strain) strays(used float64) float64 {
	if used >= bend3 {
		return max(0.2, 1+s.bend[2])
	}
	if used >= bend2 {
		return max(0.2, 1+s.bend[1]+(s.bend[2]-s.bend[1])*(used-bend2)/(bend3-bend2))
	}
	if used >= bend1 {
		return max(0.2, 1+s.bend[0]+(s.bend[1]-s.bend[0])*(used-bend1)/(bend2-bend1))
	}
	return max(0.2, 1+s.bend[0]*used/bend1)
}
