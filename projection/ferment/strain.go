package ferment

import (
	"math"

	"ebbline/projection/gravity"
)

// strain is how one virtual yeast takes its sugars. Sugar is counted as extract
// in g per 100 g of the wort as pitched, biomass in multiples of what was
// pitched, time in hours.
type strain interface {
	// pitch is the state at time zero.
	pitch() []float64
	// slopes are the derivatives at a temperature.
	slopes(t gravity.Celsius) derivative
	// eaten is the sugar consumed since pitch.
	eaten(y []float64) float64
}

// mechanistic is a yeast after the structure of Gee & Ramirez (uptake by
// Monod's law, repression of one sugar by the other, growth by yield, Arrhenius
// temperature dependence), with what they leave out added: a lag after Baranyi
// & Roberts (Int. J. Food Microbiol. 23 (1994) 277), and cells that sink, the
// faster the colder.
type mechanistic struct {
	sugar   [3]float64 // simple, maltose, maltotriose that it can reach
	maximum [3]float64 // uptake at 20 °C by the biomass pitched, per hour
	half    [3]float64 // half saturation
	energy  [3]float64 // activation energy, kJ/mol
	repress [2]float64 // by simple sugar of the others, by maltose of maltotriose
	yield   float64    // biomass gained per sugar while there is room
	crowd   float64    // biomass at which growth ends

	wake       float64 // rate of leaving the lag at 20 °C, per hour
	wakeEnergy float64 // kJ/mol
	readiness  float64 // physiological state at pitch; the smaller the longer the lag

	sink sinking
}

// sinking is how fast cells leave the beer, per hour, at a temperature.
type sinking struct {
	warm, cold float64         // rates far above and far below the bend
	bend       gravity.Celsius // where it is halfway
	width      float64         // K
}

func (s sinking) rate(t gravity.Celsius) float64 {
	return s.warm + (s.cold-s.warm)/(1+math.Exp(float64(t-s.bend)/s.width))
}

// The state of a mechanistic yeast: three sugars left, biomass in suspension,
// biomass sunk, logarithm of the physiological state.
func (m *mechanistic) pitch() []float64 {
	return []float64{m.sugar[0], m.sugar[1], m.sugar[2], 1, 0, math.Log(m.readiness)}
}

func (m *mechanistic) eaten(y []float64) float64 {
	return m.sugar[0] + m.sugar[1] + m.sugar[2] - y[0] - y[1] - y[2]
}

func (m *mechanistic) slopes(t gravity.Celsius) derivative {
	var top [3]float64
	for i := range top {
		top[i] = m.maximum[i] * ArrheniusFactor(m.energy[i], t, 20)
	}
	wake := m.wake * ArrheniusFactor(m.wakeEnergy, t, 20)
	sink := m.sink.rate(t)
	return func(y, dy []float64) {
		s0, s1, s2 := max(y[0], 0), max(y[1], 0), max(y[2], 0)
		awake := 1 / (1 + math.Exp(-y[5]))
		working := awake * y[3]
		bySimple := m.repress[0] / (m.repress[0] + s0)
		byMaltose := m.repress[1] / (m.repress[1] + s1)
		u0 := top[0] * s0 / (m.half[0] + s0) * working
		u1 := top[1] * s1 / (m.half[1] + s1) * bySimple * working
		u2 := top[2] * s2 / (m.half[2] + s2) * bySimple * byMaltose * working
		room := max(0, 1-(y[3]+y[4])/m.crowd)
		dy[0], dy[1], dy[2] = -u0, -u1, -u2
		dy[3] = m.yield*(u0+u1+u2)*room - sink*y[3]
		dy[4] = sink * y[3]
		dy[5] = wake
	}
}

// twoCells is a yeast after the structure of de Andrés-Toro: latent cells wake,
// active cells grow, eat one sugar and die, alcohol inhibits. The published
// constants hold to 16 °C and for strong wort, so a batch draws its own.
type twoCells struct {
	sugar                        float64
	awake                        float64 // share of the pitched cells that is active
	grow, eat, wakeUp, die       float64 // per hour at 20 °C
	growEnergy, eatEnergy        float64 // kJ/mol
	wakeEnergy, half, inhibition float64
	sink                         sinking
}

// The state of twoCells: active, latent, sugar left.
func (c *twoCells) pitch() []float64 { return []float64{c.awake, 1 - c.awake, c.sugar} }

func (c *twoCells) eaten(y []float64) float64 { return c.sugar - y[2] }

func (c *twoCells) slopes(t gravity.Celsius) derivative {
	grow := c.grow * ArrheniusFactor(c.growEnergy, t, 20)
	eat := c.eat * ArrheniusFactor(c.eatEnergy, t, 20)
	wake := c.wakeUp * ArrheniusFactor(c.wakeEnergy, t, 20)
	lose := c.die + c.sink.rate(t)
	return func(y, dy []float64) {
		active, latent, s := y[0], y[1], max(y[2], 0)
		inhibited := c.inhibition / (c.inhibition + c.sugar - s)
		dy[0] = grow*s/(c.half+s)*inhibited*inhibited*active + wake*latent - lose*active
		dy[1] = -wake * latent
		dy[2] = -eat * s / (c.half + s) * inhibited * active
	}
}

// sigmoid is a yeast without sugars or cells: a curve of attenuation that is
// slow, fast and slow again (generalised logistic, Richards, J. Exp. Bot. 10
// (1959) 290), with the square-root dependence on temperature of Ratkowsky et
// al. (J. Bacteriol. 149 (1982) 1), which has no activation energy. Citations
// from memory. Only that yeast sinks is taken from the other families.
type sigmoid struct {
	sugar       float64         // eaten in the end
	rate        float64         // at 20 °C, per hour
	seed        float64         // share that seems eaten at the start: the smaller, the longer the lag
	rise, level float64         // exponents of what is eaten and of what is left
	coldest     gravity.Celsius // where the rate would be nought
	sink        sinking
}

// The state of a sigmoid: share eaten, share still in suspension.
func (s *sigmoid) pitch() []float64 { return []float64{0, 1} }

func (s *sigmoid) eaten(y []float64) float64 { return s.sugar * y[0] }

func (s *sigmoid) slopes(t gravity.Celsius) derivative {
	root := max(0, float64((t-s.coldest)/(20-s.coldest)))
	lose := s.sink.rate(t)
	return func(y, dy []float64) {
		dy[0] = s.rate * root * root * y[1] * math.Pow(y[0]+s.seed, s.rise) * math.Pow(max(0, 1-y[0]), s.level)
		dy[1] = -lose * y[1]
	}
}
