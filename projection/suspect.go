package projection

import (
	"math"
	"time"
)

// Doubt names why a sensor is not believed.
type Doubt string

// The doubts.
const (
	Stuck        Doubt = "stuck"
	Hanging      Doubt = "hanging"
	TooHot       Doubt = "too hot"
	TooCold      Doubt = "too cold"
	Risen        Doubt = "risen"
	Misplaced    Doubt = "misplaced"
	Biased       Doubt = "biased"
	Jumping      Doubt = "jumping"
	Contradicted Doubt = "contradicted"
	// Misstated is a doubt about the original gravity that the brewer gave, not
	// about a sensor: the samples since speak against it.
	Misstated Doubt = "misstated"
)

// Suspicion is a sensor that is not believed at present, and why.
type Suspicion struct {
	Sensor string // empty for Misstated
	Doubt  Doubt
	// Since is the last reading that counts for the doubt.
	Since time.Time
	// Size is how many readings in a row for stuck and hanging, the share of readings not
	// used for jumping, points for risen, misplaced and biased (below zero: too low), °C for too hot and too cold, standard deviations for contradicted, points by which it
	// is believed to be higher for misstated.
	Size float64
}

// hotTimes is how many readings in a row make a thermometer doubtful: some show
// 85 °C once when they are switched on.
const hotTimes = 3

// Suspect lists the sensors that are not believed, in the order in which they
// were first heard.
func (e *Estimator) Suspect() []Suspicion {
	var out []Suspicion
	for _, f := range e.floats {
		since, by, carried := f.carriedBeside()
		bias, biased := f.biased(e.weights)
		switch {
		case f.stuck():
			out = append(out, Suspicion{f.Name, Stuck, e.stepTime(f.LastStep), float64(f.Same)})
		case f.Calm.Hangs:
			out = append(out, Suspicion{f.Name, Hanging, e.stepTime(f.LastStep), calmSpan})
		case f.Rise.Above > 0 && e.steps-f.Rise.Above >= aboveSteps:
			out = append(out, Suspicion{f.Name, Risen, e.stepTime(f.LastStep), f.Rise.By})
		case carried && e.steps-since >= aboveSteps:
			out = append(out, Suspicion{f.Name, Risen, e.stepTime(e.steps), by})
		case f.Alike >= misplacedFor:
			out = append(out, Suspicion{f.Name, Misplaced, e.stepTime(e.steps), f.SkippedBy})
		case biased:
			out = append(out, Suspicion{f.Name, Biased, e.stepTime(e.steps), bias})
		case f.OutOf > 0.25 || f.Skipped >= 4:
			out = append(out, Suspicion{f.Name, Jumping, e.stepTime(f.LastStep), f.OutOf})
		case math.Abs(f.Contradict) > 3.5:
			out = append(out, Suspicion{f.Name, Contradicted, e.stepTime(f.LastStep), f.Contradict})
		}
	}
	if h := e.thermo.Hot; h.Times >= hotTimes {
		doubt := TooHot
		if h.Shows < Coldest {
			doubt = TooCold
		}
		out = append(out, Suspicion{h.Sensor, doubt, h.At, h.Shows})
	}
	if by, sure := e.misstated(); sure {
		out = append(out, Suspicion{Doubt: Misstated, Since: e.batch.PitchedAt, Size: by})
	}
	return out
}

// misstatedBy is how many standard deviations of the sample at pitch, and of the
// belief, make a doubt about the original gravity.
const misstatedBy = 3.0

// misstated is by how much the original gravity is believed to lie above what
// the brewer gave, points, and whether that is believed firmly.
func (e *Estimator) misstated() (by float64, sure bool) {
	var m, mm float64
	for i, w := range e.weights {
		m += w * e.strains[i].og
		mm += w * e.strains[i].og * e.strains[i].og
	}
	by = m - e.prior[pOG].mean
	sd := math.Sqrt(max(0, mm-m*m))
	return by, math.Abs(by) > misstatedBy*max(sd, e.prior[pOG].sd)
}

// contradict notes how far a sample lies from what the floats led to believe.
func (e *Estimator) contradict(points float64, g []float64, at time.Time) {
	var m, mm float64
	for i, w := range e.weights {
		m += w * g[i]
		mm += w * g[i] * g[i]
	}
	sd := math.Sqrt(max(0, mm-m*m) + sampleSD*sampleSD)
	for _, f := range e.floats {
		if at.Sub(e.stepTime(f.LastStep)) < 6*time.Hour {
			f.Contradict = (points - m) / sd
		}
	}
}
