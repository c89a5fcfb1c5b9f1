package ingest

// repeats reports whether a quantity of a sensor is shown as in the last message,
// and remembers it. What came before a restart is forgotten.
func (m *Mapper) repeats(quantity string, shown float64) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	last, known := m.shown[quantity]
	if known || len(m.shown) < maxRemembered {
		m.shown[quantity] = shown
	}
	return known && last == shown
}
