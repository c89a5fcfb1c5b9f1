package projection

import (
	"math"
	"slices"
)

const (
	// riseSpan is how many readings make a level: two hours of one a quarter of an hour.
	riseSpan = 8
	// riseLeast and riseNoise are how far a level must lie above the lowest before it
	// to be no noise: points, and times the float's noise.
	riseLeast, riseNoise = 1.8, 3.6
	// riseWarm is what a kelvin may add to that, points: of a float that is not
	// corrected well.
	riseWarm = 0.2
	// riseBack is the share of it below which the float is down again, riseBegan that
	// at which it began to rise.
	riseBack, riseBegan = 0.5, 0.3
	// riseSteps is how long a float is thought to be carried, grid steps: then it
	// has been moved.
	riseSteps = 36 * 4
	// aboveLeast and aboveNoise are by how much a float must show too much to be told
	// of, points and times its noise, and aboveSteps for how long. Of the 84 captures,
	// two come to it.
	aboveLeast, aboveNoise = 2.5, 5.0
	aboveSteps             = 3 * 4
	// forgetMoves is how often each hypothesis is moved when readings are taken back:
	// those that were right have mostly died of them.
	forgetMoves = 20
)

// rise finds a float that is carried up slowly, by krausen or bubbles: beer does
// not grow denser by itself. A lift at once is drawn by each hypothesis for
// itself; one that takes hours looks like beer that does not ferment.
type rise struct {
	Lately  [riseSpan]float64 // points, less what the hypotheses hold for a lift
	Heard   int
	Lowest  float64 // points, of a level
	Celsius float64 // K above 18 °C then
	Began   int     // the last grid step at which the level was near it; 0: no level yet
	Carried bool
	Since   int     // the grid step at which that was found
	Net     float64 // points above the lowest
	By      float64 // the same with all that it is lifted and moved
	Above   int     // the grid step since which that is too much; 0: it is not
}

// rises follows how far a float has risen, and reports whether it is carried up.
func (f *float) rises(step int, points, warm float64, weights []float64) bool {
	r, noise, held, lift := &f.Rise, f.noise(weights), f.held(weights), 0.0
	for i := range f.Means {
		lift += weights[i] * f.Means[i].Lift
	}
	r.hear(step, points-lift, warm, noise)
	switch r.By = r.Net + held; {
	case r.By < max(aboveLeast, aboveNoise*noise)+riseWarm*math.Abs(warm-r.Celsius):
		r.Above = 0
	case r.Above == 0:
		r.Above = step
	}
	return r.Carried
}

// hear takes a reading less the believed lift, made at a grid step, warm kelvin
// above 18 °C, of a float that is that noisy.
func (r *rise) hear(step int, points, warm, noise float64) {
	r.Lately[r.Heard%riseSpan] = points
	if r.Heard++; r.Heard < riseSpan {
		return
	}
	level := r.level()
	if r.Began == 0 || level < r.Lowest {
		r.Lowest, r.Celsius = level, warm
	}
	r.Net = level - r.Lowest
	limit := max(riseLeast, riseNoise*noise) + riseWarm*math.Abs(warm-r.Celsius)
	switch {
	case r.Carried && (r.Net < riseBack*limit || step-r.Since > riseSteps):
		*r = rise{}
	case r.Carried:
	case r.Net > limit:
		r.Carried, r.Since, r.Heard = true, step, 0
	case r.Net < riseBegan*limit:
		r.Began = step
	}
}

// level is the median of the last readings.
func (r *rise) level() float64 {
	now := r.Lately
	slices.Sort(now[:])
	return (now[riseSpan/2-1] + now[riseSpan/2]) / 2
}

// forget takes back what a float has said after a grid step: it was carried up by
// then. Each hypothesis is weighed anew without it.
func (e *Estimator) forget(f *float, after int) {
	n := len(f.Records)
	for n > 0 && f.Records[n-1].Step > after {
		n--
	}
	f.Records = slices.Clone(f.Records[:n]) // copies share these
	for i := range f.Means {
		f.Means[i].before(after)
	}
	e.rebuild(f)
	l := life{floats: make([]floatMean, len(e.floats))}
	for i := range e.theta {
		l.theta = e.theta[i]
		for k, g := range e.floats {
			l.floats[k] = g.Means[i]
		}
		e.relive(&l)
		e.logw[i] += l.like - e.like[i]
		e.like[i] = l.like
		for k, g := range e.floats {
			g.Means[i] = l.floats[k]
		}
	}
	e.reweigh()
	e.redraw() // also because copies share what is moved
	for range forgetMoves {
		e.move()
	}
}

// before takes back the lifts that began after a grid step.
func (m *floatMean) before(step int) {
	if m.Lift != 0 && m.Since > step {
		m.Lift = 0
	}
	for m.Past != nil && m.Past.From > step {
		m.Past = m.Past.Before
	}
	if p := m.Past; p != nil && p.To > step { // it was not over yet
		m.Lift, m.Since, m.Past = p.Level, p.From, p.Before
	}
}
