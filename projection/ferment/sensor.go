package ferment

import (
	"math"
	"math/rand/v2"

	"ebbline/projection/gravity"
)

// Float is how a floating hydrometer with a thermometer errs. Hours count from
// pitch. Its body is made for 20 °C and it does not correct for temperature.
type Float struct {
	Name   string
	Offset gravity.Points // from the start
	Drift  gravity.Points // a day
	// White is the standard deviation of noise that is new in every reading,
	// Wander of noise that lasts, with a correlation time of WanderHours.
	White, Wander gravity.Points
	WanderHours   float64
	// Expansion is the cubic expansion of the float's body, per kelvin.
	Expansion float64
	// Outliers is the share of readings that are off by many points.
	Outliers float64

	Lifts  []Lift    // foam or bubbles carry the float
	Silent []Episode // nothing is sent
	Stuck  []Episode // gravity stays what it was at the start of the episode

	ThermometerOffset, ThermometerNoise float64 // K

	rng    *rand.Rand
	wander float64
	steady bool // wander has been drawn
	held   *gravity.SG
}

// Episode is a span of hours after pitch.
type Episode struct{ From, To float64 }

func (e Episode) holds(hour float64) bool { return hour >= e.From && hour < e.To }

// Lift is an episode in which a float stands too high by up to By points,
// rising and ebbing as half a sine wave; below zero it hangs too low.
type Lift struct {
	Episode
	By gravity.Points
	// Abrupt lifts are at once By high, and at once gone.
	Abrupt bool
}

func (l Lift) at(hour float64) gravity.Points {
	switch {
	case !l.holds(hour):
		return 0
	case l.Abrupt:
		return l.By
	}
	return l.By * gravity.Points(math.Sin(math.Pi*(hour-l.From)/(l.To-l.From)))
}

// Thermometer is a probe in the beer, without a float, and how it errs.
type Thermometer struct {
	Name          string
	Offset, Noise float64 // K

	rng *rand.Rand
}

func (p *Thermometer) read(beer gravity.Celsius) Reading {
	return Reading{Sensor: p.Name, Temperature: warmth(beer, p.Offset+p.Noise*p.rng.NormFloat64())}
}

// warmth is what a thermometer prints that is off by error, K.
func warmth(beer gravity.Celsius, error float64) gravity.Celsius {
	return gravity.Celsius(math.Round((float64(beer)+error)*100) / 100)
}

// Reading is what a sensor shows, as it would print it: gravity to a tenth of a
// point and temperature to a hundredth of a degree.
type Reading struct {
	Sensor      string
	Gravity     *gravity.SG // nil from a thermometer
	Temperature gravity.Celsius
}

// read is what the float shows of a beer at an hour, dt hours after the last
// reading; false while it is silent. It draws the same number of random values
// whatever it shows, so that an episode changes nothing after it.
func (f *Float) read(hour, dt float64, truth gravity.SG, beer gravity.Celsius) (Reading, bool) {
	white, push, heat := f.rng.NormFloat64(), f.rng.NormFloat64(), f.rng.NormFloat64()
	unlucky, far, side := f.rng.Float64(), f.rng.Float64(), f.rng.Float64()
	f.drift(push, dt)

	error := f.Offset + f.Drift*gravity.Points(hour/24) + f.White*gravity.Points(white) +
		f.Wander*gravity.Points(f.wander)
	for _, l := range f.Lifts {
		error += l.at(hour)
	}
	if unlucky < f.Outliers {
		error += gravity.Points(math.Copysign(4+26*far, side-0.5))
	}
	shown := truth/gravity.Correct(1, beer, 20, f.Expansion) + gravity.SG(error/1000)
	shown = gravity.SG(math.Round(float64(shown)*1e4) / 1e4)
	shown = f.hold(hour, shown)
	temp := warmth(beer, f.ThermometerOffset+f.ThermometerNoise*heat)
	for _, e := range f.Silent {
		if e.holds(hour) {
			return Reading{}, false
		}
	}
	return Reading{Sensor: f.Name, Gravity: &shown, Temperature: temp}, true
}

// drift moves the lasting noise on: AR(1), of unit variance.
func (f *Float) drift(push, dt float64) {
	if !f.steady {
		f.wander, f.steady = push, true
		return
	}
	keep := math.Exp(-dt / max(f.WanderHours, 1e-6))
	f.wander = keep*f.wander + math.Sqrt(1-keep*keep)*push
}

// hold keeps the first value of a stuck episode until it ends.
func (f *Float) hold(hour float64, shown gravity.SG) gravity.SG {
	for _, e := range f.Stuck {
		if e.holds(hour) {
			if f.held == nil {
				f.held = &shown
			}
			return *f.held
		}
	}
	f.held = nil
	return shown
}
