package projection

import (
	"math"
	"math/rand/v2"
)

// Foam lifts a float for hours, and single readings are far off. Neither is
// normal, so each hypothesis draws for itself whether the float was lifted.
const (
	liftMean     = 2.0 // points
	liftSD       = 0.8 // points
	liftEvery    = 120 // h between lifts
	liftLasts    = 9.0 // h
	foamSD       = 1.2 // points; a lifted float rides up and down
	outlierShare = 0.02
	outlierWidth = 60.0 // points over which outliers spread
)

// tempering is the share of a float's log likelihood that counts. What the
// model leaves out of a float's errors lasts as long as a fermentation does, so
// full weight makes belief surer than it turns out to be: at 0.7 the interval of
// the crossing held the truth in 65 of 100 captures, at 0.5 in 78.
const tempering = 0.55

// floor is the least density a used reading can have: it may be an outlier
// that was not recognised.
const floor = outlierShare / outlierWidth

// lifted is a lift that is over, and the ones before it. It never changes, so
// hypotheses share it.
type lifted struct {
	From, To int // grid steps: from the first lifted one to before To
	Level    float64
	Before   *lifted
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
