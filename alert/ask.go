package alert

import "ebbline/projection"

// Belief is a copy of what is believed at the watch's clock, to put questions
// to; asking it changes nothing here. False once the beer is packaged.
func (w *Watch) Belief() (*projection.Estimator, bool) {
	if w.packaged != nil {
		return nil, false
	}
	c := w.course.copied()
	if c.at.Before(w.now) || w.ledger.has(w.now) {
		c.run(w.now.Add(1), &w.batch, &w.ledger)
	}
	e, ok := c.belief.(estimator)
	return e.Estimator, ok
}
