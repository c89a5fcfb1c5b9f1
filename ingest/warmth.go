package ingest

import (
	"maps"
	"time"

	"ebbline/projection/gravity"
)

// warmth is a temperature of the beer and when it was measured.
type warmth struct {
	celsius float64
	time    time.Time
}

// freshness is how far apart a gravity and the temperature that corrects it may
// have been measured.
const freshness = 2 * time.Hour

// maxRemembered bounds the sensors whose temperature is remembered, because a
// wildcard lets anyone who may publish make new ones.
const maxRemembered = 1 << 16

// warmthAt is the temperature to correct a gravity with: of the same message if
// it has a plausible one, else the last of the same sensor.
func (d *decoding) warmthAt(h hit, at time.Time) (gravity.Celsius, bool) {
	best, ok := warmth{}, false
	for _, v := range d.values {
		if v.spec.Quantity != Temperature || !inRange(Temperature, v.unit, v.v) {
			continue
		}
		if !ok || apart(v.time, at) < apart(best.time, at) {
			best, ok = warmth{v.v, v.time}, true
		}
	}
	if !ok {
		d.mapper.mu.Lock()
		best, ok = d.mapper.last[h.name]
		d.mapper.mu.Unlock()
	}
	return gravity.Celsius(best.celsius), ok && apart(best.time, at) <= freshness
}

func apart(a, b time.Time) time.Duration { return a.Sub(b).Abs() }

// remember keeps the newest plausible temperature of the message.
func (d *decoding) remember(h hit) {
	for _, v := range d.values {
		if v.spec.Quantity == Temperature && inRange(Temperature, v.unit, v.v) {
			d.mapper.SeedTemperature(h.name, gravity.Celsius(v.v), v.time)
		}
	}
}

// SeedTemperature tells the last known temperature of a sensor, from the record
// after a restart, so that the first gravity is corrected as it would have been
// without one. An older one than is known changes nothing.
func (m *Mapper) SeedTemperature(sensor string, t gravity.Celsius, at time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	known, ok := m.last[sensor]
	if ok && !at.After(known.time) {
		return
	}
	if !ok && len(m.last) >= maxRemembered {
		for name, w := range m.last {
			if at.Sub(w.time) > freshness {
				delete(m.last, name)
			}
		}
		if len(m.last) >= maxRemembered {
			return
		}
	}
	m.last[sensor] = warmth{float64(t), at}
}

// Adopt takes over what another Mapper remembers, so that a
// change of the sensors while messages arrive changes no correction. The other
// goes on unharmed.
func (m *Mapper) Adopt(other *Mapper) {
	other.mu.Lock()
	last, shown, made := maps.Clone(other.last), maps.Clone(other.shown), maps.Clone(other.made)
	other.mu.Unlock()
	m.mu.Lock()
	m.made, m.shown = made, shown
	m.mu.Unlock()
	for name, w := range last {
		m.SeedTemperature(name, gravity.Celsius(w.celsius), w.time)
	}
}
