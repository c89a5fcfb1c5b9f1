package projection

import (
	"math"
	"math/rand/v2"
	"time"
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

// noises are the opinions that hypotheses choose from, likeliest first.
var noises = [...]noise{{0.35, 0.35}, {0.25, 0.2}, {0.5, 0.5}, {0.4, 0.7}, {0.8, 0.5}, {0.8, 0.9}, {1.4, 1.4}}

const (
	slowHours    = 3.0  // the slow error's memory
	offsetSD     = 1.8  // points
	driftSD      = 0.10 // points/day
	wanderSD     = 0.06 // points/√day, the offset's own wandering
	warmSD       = 0.08 // points/K
	liftMean     = 1.8  // points
	liftSD       = 1.5  // points
	liftEvery    = 90.0 // h between lifts
	liftLasts    = 9.0  // h
	outlierShare = 0.02
	outlierWidth = 60.0 // points over which outliers spread
	silentReset  = 2.0  // readings
)

// belief of a float's errors by one hypothesis.
type floatMean struct {
	Mean  vec
	Lift  float64 // points, 0 when it swims free
	Noise uint8   // index into noises
}

// float is one gravity sensor.
type float struct {
	Name       string
	Last       time.Time // of the last reading taken in; zero before the first
	First      time.Time
	Cov        [len(noises)]mat
	Means      []floatMean
	LastValue  float64 // points, of the last reading, used or not
	Same       int     // how often in a row it has been LastValue exactly
	Repeats    int     // how often a reading equalled the one before, ever
	Count      int
	Skipped    int     // outliers in a row
	SkippedAt  float64 // points, the last of them
	OutOf      float64 // decayed share of outliers among the readings
	Contradict float64 // a sample's distance from the float, in its deviations
}

func newFloat(name string, n int, rng *rand.Rand) *float {
	f := &float{Name: name, Means: make([]floatMean, n)}
	for c := range f.Cov {
		f.Cov[c] = startCov(c)
	}
	for i := range f.Means {
		f.Means[i].Noise = uint8(i % len(noises))
	}
	rng.Shuffle(n, func(i, j int) { f.Means[i].Noise, f.Means[j].Noise = f.Means[j].Noise, f.Means[i].Noise })
	return f
}

func startCov(c int) mat {
	var m mat
	m[fOffset][fOffset] = offsetSD * offsetSD
	m[fDrift][fDrift] = driftSD * driftSD
	m[fWarm][fWarm] = warmSD * warmSD
	m[fSlow][fSlow] = noises[c].slow * noises[c].slow
	return m
}

// predict carries means and covariances over h hours.
func (f *float) predict(h float64) {
	keep, days := math.Exp(-h/slowHours), h/24
	for c := range f.Cov {
		p := &f.Cov[c]
		// offset += days·drift, slow *= keep.
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
	for i := range f.Means {
		m := &f.Means[i].Mean
		m[fOffset] += days * m[fDrift]
		m[fSlow] *= keep
	}
}

// gains are what one reading does in each opinion of the noise.
type gains struct {
	gain [len(noises)]vec
	vary [len(noises)]float64 // innovation variance
}

func (f *float) gains(warm float64) gains {
	var g gains
	h := vec{1, 0, warm, 1}
	for c := range f.Cov {
		p := &f.Cov[c]
		var ph vec
		for k := range floatDim {
			for l := range floatDim {
				ph[k] += p[k][l] * h[l]
			}
		}
		w := noises[c].white
		s := w * w
		for k := range floatDim {
			s += h[k] * ph[k]
		}
		g.vary[c] = s
		for k := range floatDim {
			g.gain[c][k] = ph[k] / s
		}
	}
	return g
}

// correct updates the covariances after a reading with these gains.
func (f *float) correct(g *gains) {
	for c := range f.Cov {
		p := &f.Cov[c]
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

// meter counts repetitions.
func (f *float) meter(points float64) {
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
}

// take weighs a reading: it adds to logw the log likelihood of each hypothesis
// and updates the float's means. gravities are the hypotheses' own, in points;
// weights are their normalised weights before the reading. It reports whether
// the reading was used.
func (f *float) take(at time.Time, points, warm float64, gravities, weights, logw []float64, rng *rand.Rand) bool {
	dt := 0.0
	if !f.Last.IsZero() {
		dt = at.Sub(f.Last).Hours()
	} else {
		f.First = at
	}
	f.meter(points)
	if f.stuck() {
		return false
	}
	f.predict(dt)
	f.Last = at
	g := f.gains(warm)
	odds := f.odds(dt, points)
	var in, out float64
	like := make([]float64, len(logw))
	for i := range f.Means {
		v := f.innovation(i, points, warm, gravities[i])
		like[i] = odds.total(v, f.Means[i].Lift, g.vary[f.Means[i].Noise])
		in += weights[i] * like[i]
	}
	out = odds.outlier
	if f.Count > 1 && out > in {
		f.Skipped++
		f.SkippedAt = points
		f.OutOf += (1 - f.OutOf) * 0.05
		return false
	}
	f.Skipped = 0
	f.OutOf *= 0.95
	for i := range f.Means {
		logw[i] += math.Log(like[i] + out)
		m := &f.Means[i]
		v := f.innovation(i, points, warm, gravities[i])
		v = odds.choose(m, v, g.vary[m.Noise], rng)
		k := &g.gain[m.Noise]
		for d := range floatDim {
			m.Mean[d] += k[d] * v
		}
	}
	f.correct(&g)
	return true
}

func (f *float) innovation(i int, points, warm, gravity float64) float64 {
	m := &f.Means[i]
	return points - gravity - m.Mean[fOffset] - warm*m.Mean[fWarm] - m.Mean[fSlow] - m.Lift
}

// odds are the chances of a lift's beginning or end and of an outlier since the
// last reading.
type odds struct{ begin, end, outlier float64 }

func (f *float) odds(dt, points float64) odds {
	o := odds{
		begin:   1 - math.Exp(-max(dt, 0.02)/liftEvery),
		end:     1 - math.Exp(-max(dt, 0.02)/liftLasts),
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

// choose draws whether the lift changed, given innovation v, and returns the
// innovation that remains.
func (o odds) choose(m *floatMean, v, vary float64, rng *rand.Rand) float64 {
	u := rng.Float64()
	if m.Lift == 0 {
		stay := (1 - o.begin) * normal(v, vary)
		moved := o.begin * normal(v-liftMean, vary+liftSD*liftSD)
		if u*(stay+moved) < stay || stay+moved == 0 {
			return v
		}
		k := liftSD * liftSD / (vary + liftSD*liftSD)
		m.Lift = liftMean + k*(v-liftMean) + math.Sqrt(k*vary)*rng.NormFloat64()
		return v - m.Lift
	}
	stay := (1 - o.end) * normal(v, vary)
	moved := o.end * normal(v+m.Lift, vary)
	if u*(stay+moved) < stay || stay+moved == 0 {
		return v
	}
	v += m.Lift
	m.Lift = 0
	return v
}

// normal is the density of N(0, vary) at v.
func normal(v, vary float64) float64 {
	return math.Exp(-0.5*v*v/vary) / math.Sqrt(2*math.Pi*vary)
}
