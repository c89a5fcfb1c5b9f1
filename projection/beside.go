package projection

import (
	"math"
	"slices"
)

// besideSteps is how old the other float's last used reading may be, grid steps.
const besideSteps = 4

// beside follows how far a float has risen beside another one in the same beer. The
// beer is the same, and floats are held up oftener than pulled down, so of two that
// part the higher one errs: it hangs, or is carried. Whoever believed both would
// believe the middle.
type beside struct {
	Name string // of the other
	Rise rise
}

// besides compares what a float shows now, before it is used, with every other one.
// It reports whether it is carried beside any, and the grid step from which on it
// was if that has just been found, else -1.
func (e *Estimator) besides(f *float, warm float64) (carried bool, began int) {
	began = -1
	points := f.peek()
	for _, g := range e.floats {
		if g == f || len(g.Records) == 0 || e.steps-g.LastStep > besideSteps || g.Rise.Carried {
			continue
		}
		r := &f.other(g.Name).Rise
		was := r.Carried
		r.hear(e.steps, points-f.held(e.weights)-g.Records[len(g.Records)-1].Points+g.held(e.weights), warm, math.Hypot(f.noise(e.weights), g.noise(e.weights)))
		if r.Carried {
			carried = true
			if !was {
				began = r.Began
			}
		}
	}
	return carried, began
}

// other is what is remembered of another float.
func (f *float) other(name string) *beside {
	for k := range f.Beside {
		if f.Beside[k].Name == name {
			return &f.Beside[k]
		}
	}
	f.Beside = append(f.Beside, beside{Name: name})
	return &f.Beside[len(f.Beside)-1]
}

// carriedBeside is since which grid step a float has been carried beside another,
// and how far, points; false if it is not.
func (f *float) carriedBeside() (since int, by float64, ok bool) {
	for _, b := range f.Beside {
		if b.Rise.Carried && (!ok || b.Rise.Since < since) {
			since, by, ok = b.Rise.Since, b.Rise.Net, true
		}
	}
	return since, by, ok
}

// held is by how much the float is believed to be lifted and moved, points.
func (f *float) held(weights []float64) (mean float64) {
	for i := range f.Means {
		mean += weights[i] * (f.Means[i].Lift + f.Means[i].Mean[fMoved])
	}
	return mean
}

// peek is the median of the readings that wait, points.
func (f *float) peek() float64 {
	waiting := slices.Sorted(slices.Values(f.Pending))
	n := len(waiting)
	return (waiting[(n-1)/2] + waiting[n/2]) / 2
}
