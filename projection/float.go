package projection

import (
	"math"
	"math/rand/v2"
	"slices"
)

// noise is one opinion of how noisy a float is: standard deviations, points.
type noise struct{ white, slow float64 }

// noises are the opinions that hypotheses choose from.
func noises() [noiseCount]noise {
	return [...]noise{{0.33, 0.33}, {0.22, 0.22}, {0.4, 0.55}, {0.6, 0.6}, {0.8, 0.85}, {1.4, 1.4}}
}

// noiseCount is how many they are.
const noiseCount = 6

const (
	slowHours = 2.8  // the slow error's memory
	offsetSD  = 2.0  // points
	driftSD   = 0.09 // points/day
	wanderSD  = 0.05 // points/√day, the offset's own wandering
	warmSD    = 0.08 // points/K
)

// floatMean is what one hypothesis believes of a float's errors.
type floatMean struct {
	Mean  vec
	Lift  float64 // points, 0 when it swims free
	Since int     // the grid step at which the lift began
	Noise uint8   // index into noises()
	Past  *lifted // lifts that are over
}

// record is a reading that was taken in, and what all hypotheses share of it.
type record struct {
	Step   int // of the grid
	Points float64
	Count  int     // readings it stands for
	Foam   float64 // share of belief in a lift
	Moved  move    // what happened to the float just before
	gains  gains
}

// gains are what one reading does in each opinion of the noise.
type gains struct {
	gain [noiseCount]vec
	vary [noiseCount]float64 // innovation variance
	half [noiseCount]float64 // −1/(2·vary)
	norm [noiseCount]float64 // 1/√(2π·vary)
	keep float64             // share of the slow error left since the reading before
}

// float is one gravity sensor.
type float struct {
	Name       string
	Pending    []float64 // points, since the last grid step
	Records    []record
	Means      []floatMean
	filters    [noiseCount]filter
	LastValue  float64 // points, of the last reading, used or not
	LastStep   int
	Same       int // how often in a row it has been LastValue exactly
	Repeats    int // how often a reading equalled the one before, ever
	Count      int
	Skipped    int     // outliers in a row
	SkippedAt  float64 // points, the last of them
	SkippedBy  float64 // points, how far above what was expected
	Alike      int     // how many of the last ones were alike
	Displaced  bool    // shows values far from its own
	OutOf      float64 // decayed share of outliers among the readings
	Contradict float64 // a sample's distance from the float, in its deviations
	Calm       calm
	Rise       rise
	Beside     []beside
}

func newFloat(name string, n int, rng *rand.Rand) *float {
	f := &float{Name: name, Means: make([]floatMean, n)}
	f.restart()
	for i := range f.Means {
		f.Means[i].Noise = uint8(i % noiseCount)
	}
	rng.Shuffle(n, func(i, j int) { f.Means[i].Noise, f.Means[j].Noise = f.Means[j].Noise, f.Means[i].Noise })
	return f
}

// noisiest is more than any opinion of a float's noise, points: that of a batch
// without a float.
const noisiest = 2.0

// noise is by how much the float is believed to err from one reading to one long
// after, points.
func (f *float) noise(weights []float64) (sd float64) {
	opinions := noises()
	for i := range f.Means {
		n := opinions[f.Means[i].Noise]
		sd += weights[i] * math.Hypot(n.white, n.slow)
	}
	return sd
}

// restart sets the covariances to those before the first reading.
func (f *float) restart() {
	for c, n := range noises() {
		f.filters[c] = newFilter(errorModel{
			offset: offsetSD, drift: driftSD, warm: warmSD, wander: wanderSD, slow: n.slow, memory: slowHours, white: n.white,
		})
	}
}

// spread carries the covariances over h hours.
func (f *float) spread(h float64) {
	for c := range f.filters {
		f.filters[c].spread(h)
	}
}

// gains are those of a reading that is the median of count, while foam is
// believed in by the given share.
func (f *float) gains(warm float64, count int, foam float64) (g gains) {
	for c := range f.filters {
		s := 0.0
		g.gain[c], s = f.filters[c].gain(warm, count, foam*foamSD*foamSD)
		g.vary[c], g.half[c], g.norm[c] = s, -0.5/s, 1/math.Sqrt(2*math.Pi*s)
	}
	return g
}

// narrow updates the covariances after a reading with these gains.
func (f *float) narrow(g *gains) {
	for c := range f.filters {
		f.filters[c].narrow(&g.gain[c], g.vary[c])
	}
}

// stuck reports that the float has repeated one value oftener than its
// resolution explains.
func (f *float) stuck() bool {
	usual := 0.0
	if f.Count > 0 {
		usual = float64(f.Repeats) / float64(f.Count)
	}
	limit := 6.0
	if usual > 0.1 {
		limit = max(limit, math.Log(1e-7)/math.Log(min(0.95, usual)))
	}
	return float64(f.Same) >= limit
}

// heard counts repetitions, of what the device shows or of what is made of it, and
// keeps the reading until the grid step is over.
func (f *float) heard(points float64, repeated bool) {
	if f.Count > 0 && (repeated || points == f.LastValue) {
		f.Same++
		if f.Same < 4 {
			f.Repeats++
		}
	} else {
		f.Same = 1
	}
	f.LastValue = points
	f.Count++
	if !f.stuck() {
		f.Pending = append(f.Pending, points)
	}
}

// due is the median of the readings of a grid step, and how many they were.
func (f *float) due() (points float64, count int) {
	n := len(f.Pending)
	if n == 0 {
		return 0, 0
	}
	slices.Sort(f.Pending)
	points = (f.Pending[(n-1)/2] + f.Pending[n/2]) / 2
	f.Pending = f.Pending[:0]
	return points, min(n, 15)
}

// take weighs a reading made by a grid step: it adds to logw and like the log
// likelihood of each hypothesis and moves its mean. gravities are the
// hypotheses' own, points; weights are normalised. It reports whether the
// reading was used.
func (f *float) take(step int, warm float64, gravities, weights, logw, like []float64, rng *rand.Rand) bool {
	if n := len(f.Records); n > 0 && f.Records[n-1].Step == step {
		return false // of this step already; these wait for the next
	}
	points, count := f.due()
	if count == 0 {
		return false
	}
	if f.Calm.hear(points); f.Calm.Hangs {
		return false
	}
	if f.Rise.Carried && f.rises(step, points, warm, weights) {
		return false
	}
	h := grid.Hours()
	if n := len(f.Records); n > 0 {
		h = float64(step-f.Records[n-1].Step) * grid.Hours()
	}
	before := f.filters
	f.spread(h)
	l := listening{
		warm: warm, points: points, hours: h, keep: math.Exp(-h / slowHours), count: count, foam: f.foam(weights),
		gravities: gravities, weights: weights, odds: f.odds(h, points),
	}
	moved := f.whereabouts(&l)
	if moved == skipped {
		f.filters = before
		return false
	}
	g, o := l.gains, l.odds
	g.keep = l.keep
	f.LastStep = step
	f.OutOf *= 0.95
	for i := range f.Means {
		m := &f.Means[i]
		m.Mean = m.Mean.after(h, l.keep, moved)
		v := points - gravities[i] - m.Mean.expected(warm) - m.Lift
		logw[i] += tempering * math.Log(o.total(v, m.Lift, g.vary[m.Noise])+o.outlier)
		v = o.choose(m, step, v, g.vary[m.Noise], rng)
		like[i] += tempering * math.Log(g.norm[m.Noise]*math.Exp(v*v*g.half[m.Noise])+floor)
		for d := range floatDim {
			m.Mean[d] += g.gain[m.Noise][d] * v
		}
	}
	f.narrow(&g)
	if moved != stayed {
		f.Rise = rise{}
	}
	f.rises(step, points, warm, weights)
	f.Records = append(f.Records, record{step, points, count, l.foam, moved, g})
	return true
}

func (f *float) reorder(from []int) {
	means := make([]floatMean, len(from))
	for i, j := range from {
		means[i] = f.Means[j]
	}
	f.Means = means
}
