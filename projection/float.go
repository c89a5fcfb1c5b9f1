package projection

import (
	"math"
	"math/rand/v2"
	"slices"
)

// A float's error is offset + drift·t + coefficient·(T − 18 °C) + a slow error
// that forgets itself in hours + white noise, + a lift while foam holds it up.
// All but the lift are linear and normal, so each hypothesis carries only the
// mean of the four; their covariance is the same for all hypotheses that think
// the float equally noisy, and is kept once (a Rao-Blackwellised filter).
const (
	fOffset = iota
	fDrift  // points/day
	fWarm   // points/K
	fSlow   // points
	floatDim
)

type vec [floatDim]float64
type mat [floatDim][floatDim]float64

// noise is one opinion of how noisy a float is: standard deviations, points.
type noise struct{ white, slow float64 }

// noises are the opinions that hypotheses choose from.
var noises = [...]noise{{0.33, 0.33}, {0.22, 0.22}, {0.4, 0.55}, {0.6, 0.6}, {0.8, 0.85}, {1.4, 1.4}}

const (
	slowHours    = 2.8  // the slow error's memory
	offsetSD     = 2.0  // points
	driftSD      = 0.09 // points/day
	wanderSD     = 0.05 // points/√day, the offset's own wandering
	warmSD       = 0.08 // points/K
	liftMean     = 2.0  // points
	liftSD       = 0.8  // points
	liftEvery    = 120  // h between lifts
	liftLasts    = 9.0  // h
	outlierShare = 0.02
	outlierWidth = 60.0 // points over which outliers spread
)

// floor is the least density a used reading can have: it may be an outlier
// that was not recognised.
const floor = outlierShare / outlierWidth

// floatMean is what one hypothesis believes of a float's errors.
type floatMean struct {
	Mean  vec
	Lift  float64 // points, 0 when it swims free
	Since int     // the grid step at which the lift began
	Noise uint8   // index into noises
	Past  *lifted // lifts that are over
}

// lifted is a lift that is over, and the ones before it. It never changes, so
// hypotheses share it.
type lifted struct {
	From, To int // grid steps: from the first lifted one to before To
	Level    float64
	Before   *lifted
}

// record is a reading that was taken in, and what all hypotheses share of it.
type record struct {
	Step   int // of the grid
	Points float64
	Count  int // readings it stands for
	gains  gains
}

// gains are what one reading does in each opinion of the noise.
type gains struct {
	gain [len(noises)]vec
	vary [len(noises)]float64 // innovation variance
	half [len(noises)]float64 // −1/(2·vary)
	norm [len(noises)]float64 // 1/√(2π·vary)
	keep float64              // share of the slow error left since the reading before
}

// float is one gravity sensor.
type float struct {
	Name       string
	Pending    []float64 // points, since the last grid step
	Records    []record
	Means      []floatMean
	cov        [len(noises)]mat
	LastValue  float64 // points, of the last reading, used or not
	LastStep   int
	Same       int // how often in a row it has been LastValue exactly
	Repeats    int // how often a reading equalled the one before, ever
	Count      int
	Skipped    int     // outliers in a row
	SkippedAt  float64 // points, the last of them
	OutOf      float64 // decayed share of outliers among the readings
	Contradict float64 // a sample's distance from the float, in its deviations
}

func newFloat(name string, n int, rng *rand.Rand) *float {
	f := &float{Name: name, Means: make([]floatMean, n)}
	f.restart()
	for i := range f.Means {
		f.Means[i].Noise = uint8(i % len(noises))
	}
	rng.Shuffle(n, func(i, j int) { f.Means[i].Noise, f.Means[j].Noise = f.Means[j].Noise, f.Means[i].Noise })
	return f
}

// restart sets the covariances to those before the first reading.
func (f *float) restart() {
	for c := range f.cov {
		m := &f.cov[c]
		*m = mat{}
		m[fOffset][fOffset] = offsetSD * offsetSD
		m[fDrift][fDrift] = driftSD * driftSD
		m[fWarm][fWarm] = warmSD * warmSD
		m[fSlow][fSlow] = noises[c].slow * noises[c].slow
	}
}

// spread carries the covariances over h hours.
func (f *float) spread(h float64) {
	keep, days := math.Exp(-h/slowHours), h/24
	for c := range f.cov {
		p := &f.cov[c]
		for k := range floatDim {
			p[fOffset][k] += days * p[fDrift][k]
		}
		for k := range floatDim {
			p[k][fOffset] += days * p[k][fDrift]
		}
		for k := range floatDim {
			p[fSlow][k] *= keep
		}
		for k := range floatDim {
			p[k][fSlow] *= keep
		}
		p[fOffset][fOffset] += wanderSD * wanderSD * days
		s := noises[c].slow
		p[fSlow][fSlow] += s * s * (1 - keep*keep)
	}
}

// on carries a mean over h hours in which the slow error keeps the share keep.
func (m *vec) on(h, keep float64) {
	m[fOffset] += h / 24 * m[fDrift]
	m[fSlow] *= keep
}

// expected is what the float shows above the true gravity.
func (m *vec) expected(warm float64) float64 { return m[fOffset] + warm*m[fWarm] + m[fSlow] }

func (f *float) gains(warm float64, count int) (g gains) {
	h := vec{1, 0, warm, 1}
	for c := range f.cov {
		p := &f.cov[c]
		var ph vec
		for k := range floatDim {
			for l := range floatDim {
				ph[k] += p[k][l] * h[l]
			}
		}
		s := noises[c].white * noises[c].white / float64(count)
		for k := range floatDim {
			s += h[k] * ph[k]
		}
		g.vary[c], g.half[c], g.norm[c] = s, -0.5/s, 1/math.Sqrt(2*math.Pi*s)
		for k := range floatDim {
			g.gain[c][k] = ph[k] / s
		}
	}
	return g
}

// narrow updates the covariances after a reading with these gains.
func (f *float) narrow(g *gains) {
	for c := range f.cov {
		p := &f.cov[c]
		for k := range floatDim {
			for l := range floatDim {
				p[k][l] -= g.gain[c][k] * g.gain[c][l] * g.vary[c]
			}
		}
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

// heard counts repetitions and keeps the reading until the grid step is over.
func (f *float) heard(points float64) {
	if f.Count > 0 && points == f.LastValue {
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

// odds are the chances of a lift's beginning or end and of an outlier since the
// last reading.
type odds struct{ begin, end, outlier float64 }

func (f *float) odds(h, points float64) odds {
	o := odds{
		begin:   1 - math.Exp(-h/liftEvery),
		end:     1 - math.Exp(-h/liftLasts),
		outlier: (outlierShare + f.OutOf*0.5) / outlierWidth,
	}
	// What was skipped and comes again is no outlier: the float has moved.
	if f.Skipped > 0 && math.Abs(points-f.SkippedAt) < 2.5 {
		o.begin = min(0.5, o.begin*30*float64(f.Skipped))
		o.outlier /= 10
	}
	return o
}

func (o odds) total(v, lift, vary float64) float64 {
	if lift == 0 {
		return (1-o.begin)*normal(v, vary) + o.begin*normal(v-liftMean, vary+liftSD*liftSD)
	}
	return (1-o.end)*normal(v, vary) + o.end*normal(v+lift, vary)
}

// choose draws whether the lift changed at a step, given innovation v, and
// returns the innovation that remains.
func (o odds) choose(m *floatMean, step int, v, vary float64, rng *rand.Rand) float64 {
	u := rng.Float64()
	if m.Lift == 0 {
		stay := (1 - o.begin) * normal(v, vary)
		moved := o.begin * normal(v-liftMean, vary+liftSD*liftSD)
		if u*(stay+moved) < stay || stay+moved == 0 {
			return v
		}
		k := liftSD * liftSD / (vary + liftSD*liftSD)
		m.Lift = liftMean + k*(v-liftMean) + math.Sqrt(k*vary)*rng.NormFloat64()
		m.Since = step
		return v - m.Lift
	}
	stay := (1 - o.end) * normal(v, vary)
	moved := o.end * normal(v+m.Lift, vary)
	if u*(stay+moved) < stay || stay+moved == 0 {
		return v
	}
	v += m.Lift
	m.Past = &lifted{m.Since, step, m.Lift, m.Past}
	m.Lift = 0
	return v
}

// normal is the density of N(0, vary) at v.
func normal(v, vary float64) float64 {
	return math.Exp(-0.5*v*v/vary) / math.Sqrt(2*math.Pi*vary)
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
	h := grid.Hours()
	if n := len(f.Records); n > 0 {
		h = float64(step-f.Records[n-1].Step) * grid.Hours()
	}
	before := f.cov
	f.spread(h)
	g := f.gains(warm, count)
	keep := math.Exp(-h / slowHours)
	g.keep = keep
	o := f.odds(h, points)
	in := 0.0
	for i := range f.Means {
		m := f.Means[i]
		m.Mean.on(h, keep)
		v := points - gravities[i] - m.Mean.expected(warm) - m.Lift
		in += weights[i] * o.total(v, m.Lift, g.vary[m.Noise])
	}
	if len(f.Records) > 0 && o.outlier > in {
		f.cov = before
		f.Skipped++
		f.SkippedAt = points
		f.OutOf += (1 - f.OutOf) * 0.05
		return false
	}
	f.Skipped, f.LastStep = 0, step
	f.OutOf *= 0.95
	for i := range f.Means {
		m := &f.Means[i]
		m.Mean.on(h, keep)
		v := points - gravities[i] - m.Mean.expected(warm) - m.Lift
		logw[i] += math.Log(o.total(v, m.Lift, g.vary[m.Noise]) + o.outlier)
		v = o.choose(m, step, v, g.vary[m.Noise], rng)
		like[i] += math.Log(g.norm[m.Noise]*math.Exp(v*v*g.half[m.Noise]) + floor)
		for d := range floatDim {
			m.Mean[d] += g.gain[m.Noise][d] * v
		}
	}
	f.narrow(&g)
	f.Records = append(f.Records, record{step, points, count, g})
	return true
}

func (f *float) reorder(from []int) {
	means := make([]floatMean, len(from))
	for i, j := range from {
		means[i] = f.Means[j]
	}
	f.Means = means
}
