package ingest

// maxMade bounds the sensors that wildcards make: whoever may publish under one
// could else fill the record and the memory with new ones. Ten thousand batches
// with a thermometer each fit.
const maxMade = 20_000

// made keeps the readings of a sensor that a wildcard made if it is a known one
// or there is room for another. They begin at the index before. A sensor that
// there is no room for is not remembered either.
func (d *decoding) made(h hit, before int) bool {
	if h.name == h.Name || len(d.readings) == before || !d.live || d.mapper.Know(h.name) {
		return true
	}
	d.readings = d.readings[:before]
	d.refuse(h.Name, TooManySensors, "the wildcard in the topic %q has made %d sensors, and no more are taken: if devices of others publish there, narrow the topic", h.Topic, maxMade)
	return false
}

// Know tells the name of a sensor that a wildcard made, from the record after a
// restart. It reports false if there are too many to know another.
func (m *Mapper) Know(sensor string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.made[sensor] {
		return true
	}
	if len(m.made) >= maxMade {
		return false
	}
	m.made[sensor] = true
	return true
}
