package projection

import (
	"math"
	"time"
)

// thermo is the belief about the beer's temperature: readings of all
// thermometers, smoothed over half an hour, with jumps believed only when they
// come again; and the last day's course, which is what tomorrow is expected to be.
type thermo struct {
	Known   bool
	Now     float64 // °C
	At      time.Time
	Doubted int
	Doubt   float64
	Hours   [24]float64 // °C by hour since pitch, modulo a day
	Have    [24]bool
	Hot     hot
}

// hot is a thermometer that shows what beer cannot have, too hot or too cold.
type hot struct {
	Sensor string
	Shows  float64 // °C, the last reading
	At     time.Time
	Times  int // in a row
}

// hear reports whether a reading cannot be the beer's.
func (h *hot) hear(o Observation) bool {
	if BeersOwn(o.Value) {
		if o.Sensor == h.Sensor {
			*h = hot{}
		}
		return false
	}
	if o.Sensor != h.Sensor {
		*h = hot{Sensor: o.Sensor}
	}
	h.Shows, h.At = o.Value, o.Time
	h.Times++
	return true
}

// Hottest is the warmest that a fermenting beer can be, °C: brewer's yeast is dead
// above it (common practice). A thermometer that shows more, such as the 85 °C of
// one that was never asked, is not in the beer, or is broken.
const Hottest = 50.0

// Coldest is the coldest that beer can be, °C: weak beer freezes between −0.3 and
// −1 (common practice), and a usual thermometer errs by one. One that shows less
// hangs in the cold air beside it, is broken, or sends °C as °F.
const Coldest = -2.0

// BeersOwn reports whether a temperature, °C, can be that of beer.
func BeersOwn(celsius float64) bool { return celsius >= Coldest && celsius <= Hottest }

// usualRoom is expected where no thermometer speaks, °C.
const usualRoom = 19.0

// take smooths in a reading of t °C.
func (m *thermo) take(at time.Time, t float64, pitched time.Time) {
	if !m.Known {
		m.Known, m.Now, m.At = true, t, at
	}
	dt := at.Sub(m.At).Hours()
	if math.Abs(t-m.Now) > 2+6*dt {
		if m.Doubted == 0 || math.Abs(t-m.Doubt) > 1.5 {
			m.Doubted, m.Doubt = 1, t
			return
		}
		if m.Doubted++; m.Doubted < 3 {
			return
		}
		m.Now, m.Doubted, m.At = t, 0, at
		return
	}
	m.Doubted = 0
	m.Now += (t - m.Now) * (1 - math.Exp(-max(dt, 0.1)/0.5))
	m.At = at
	if h := at.Sub(pitched).Hours(); h >= 0 {
		k := int(h) % 24
		m.Hours[k], m.Have[k] = m.Now, true
	}
}

// expected is the temperature h hours after from, if nobody acts: the present
// one giving way within hours to that of the same hour of the last day.
func (m *thermo) expected(from time.Time, h float64, pitched time.Time) float64 {
	if !m.Known {
		return usualRoom
	}
	sum, n := 0.0, 0
	for k, ok := range m.Have {
		if ok {
			sum += m.Hours[k]
			n++
		}
	}
	if n == 0 {
		return m.Now
	}
	usual := sum / float64(n)
	if n == 24 {
		at := from.Sub(pitched).Hours() + h
		k := ((int(math.Floor(at)) % 24) + 24) % 24
		usual = m.Hours[k]
		here := from.Sub(pitched).Hours()
		k0 := ((int(math.Floor(here)) % 24) + 24) % 24
		return usual + (m.Now-m.Hours[k0])*math.Exp(-h/12)
	}
	return usual + (m.Now-usual)*math.Exp(-h/12)
}
