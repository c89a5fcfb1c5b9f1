package projection

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// sampleDraws is from how many values that a sample may show its worth is
// averaged.
const sampleDraws = 8

// value fills in what a hand sample now is expected to change: for each of some
// values that it may show, the futures are weighed by it and the crash by is
// taken anew (preposterior analysis: Raiffa & Schlaifer 1961).
func (e *Estimator) value(p *Projection, runs []run) {
	if p.CrashBy == nil || e.crash != nil {
		return
	}
	type future struct{ latest, gravity float64 }
	end := hourOf(horizonSteps - 1)
	all := make([]future, len(runs))
	for r := range runs {
		u := &runs[r]
		all[r] = future{min(u.latest, end), u.s.og - u.path[0].drop()}
	}
	slices.SortFunc(all, func(a, b future) int { return cmp.Compare(a.latest, b.latest) })
	risk := e.trusted() * e.batch.Risk
	weighed := make([]weighted, len(all))
	weigh := func(density func(gravity float64) float64) (by, sd float64) {
		sum := 0.0
		for k, f := range all {
			weighed[k] = weighted{f.latest, density(f.gravity)}
			sum += weighed[k].share
		}
		for k := range weighed {
			weighed[k].share /= sum
		}
		return weightedQuantile(weighed, risk), (weightedQuantile(weighed, 0.84) - weightedQuantile(weighed, 0.16)) / 2
	}
	before, _ := weigh(func(float64) float64 { return 1 })
	later, spread := 0.0, 0.0
	for d := range sampleDraws {
		// The errors are those of a sample at equally likely quantiles, in an order
		// that has nothing to do with the futures'.
		q := (float64((d*5)%sampleDraws) + 0.5) / sampleDraws
		shown := all[(2*d+1)*len(all)/(2*sampleDraws)].gravity + sampleSD*math.Sqrt2*math.Erfinv(2*q-1)
		by, sd := weigh(func(gravity float64) float64 { return misread(shown-gravity, sampleSD) })
		later += (by - before) / sampleDraws
		spread += sd / sampleDraws
	}
	hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)).Round(time.Minute) }
	p.Sampled = &SampleWorth{Later: hours(later), SD: hours(spread)}
}
