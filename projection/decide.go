package projection

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"
)

const (
	// tailTrust is the share of the accepted risk that a belief may use up which
	// rests on a float that errs by decentNoise points or less from one reading to
	// another a day later: all of it, because the crash by that counts is the
	// earliest but one of two hours' looks. What a worse float leaves open is
	// filled by the prior, whose tails are thinner than the world's: the share falls
	// with a power of the noise. At 0.8 of the risk for all, three in twelve with a
	// float twice as noisy were over the ceiling.
	tailTrust   = 1.0
	decentNoise = 0.5
	noisePower  = 1.3
	// nearHours is how near the crash must be for all hypotheses to be asked.
	nearHours = 3.0
	// patience: while waiting that many hours adds less than calmShare of the
	// accepted risk, the beer is at rest and a crash would save nothing. Yeast that
	// takes no maltose usually comes to rest below the ceiling and gets more of it.
	// That holds only while little is lost already, less than restless times the
	// accepted risk; and a larger risk than patientRisk gives no more patience.
	patience    = 12.0
	calmShare   = 0.5
	calmMaltNeg = 2.0
	restless    = 3.0
	patientRisk = 0.05
)

// patient reports whether waiting saves as much as a crash would.
func (e *Estimator) patient(latest []float64, lost, first float64) (by float64, ok bool) {
	risk := min(e.batch.Risk, patientRisk)
	share := calmShare
	if e.batch.Yeast == MaltoseNegative {
		share = calmMaltNeg
	}
	by = quantile(latest, lost+share*risk)
	return by, lost < restless*risk && by > first+patience
}

// trusted is the share of the accepted risk that the belief may use up.
func (e *Estimator) trusted() float64 {
	noise := math.Inf(1)
	for _, f := range e.floats {
		noise = min(noise, f.noise(e.weights))
	}
	return tailTrust * math.Pow(min(1, decentNoise/min(noise, noisiest)), noisePower)
}

// decide fills in the last moment to start the crash.
func (e *Estimator) decide(p *Projection, runs []run, first float64) {
	latest := e.bench.values[0][:len(runs)]
	over, above, passing := 0, 0, 0
	for r := range runs {
		u := &runs[r]
		latest[r] = u.latest
		if !math.IsInf(u.crossing, 1) {
			passing++
		}
		if u.now > u.limit {
			over++
		}
		if u.path[0].drop() > u.limit {
			above++
		}
	}
	sort.Float64s(latest)
	lost := float64(over) / float64(len(runs))
	p.OverNow = float64(above) / float64(len(runs))
	p.OverIfCrashedNow = lost
	if e.crash != nil || float64(passing) <= e.batch.Risk*float64(len(runs)) {
		return // under way, or left alone it keeps the ceiling
	}
	risk := e.trusted() * e.batch.Risk
	by := quantile(latest, risk)
	if by < first+nearHours {
		var all []weighted
		all, p.OverIfCrashedNow = e.latestOfAll(first)
		by = weightedQuantile(all, risk)
		if calm, ok := e.patient(latest, lost, first); ok {
			by = calm
		}
	}
	if math.IsInf(by, 1) {
		return
	}
	// Earlier than the pitch nothing could have been done.
	at := e.after(max(by, -float64(e.steps)*grid.Hours()))
	p.CrashBy = &at
	spread := (min(quantile(latest, 0.84), hourOf(horizonSteps-1)) - quantile(latest, 0.16)) / 2
	p.CrashBySD = time.Duration(spread * float64(time.Hour)).Round(time.Second)
}

// latestOfAll asks every hypothesis, not a choice of them. When the crash is
// near, those on the edge of the ceiling pass it at about their present rate.
func (e *Estimator) latestOfAll(first float64) (latest []weighted, over float64) {
	c := e.chillFrom(e.futureTemperature(e.gridTime(), first))
	now := climateAt(e.presentTemperature(e.gridTime()))
	latest = e.bench.latest[:0]
	for i := range e.brews {
		b, s := e.brews[i], &e.strains[i]
		before := b.drop()
		s.step(&b, now, first, 1)
		rate := e.fall[i] / grid.Hours()
		if first > 0 {
			rate = (b.drop() - before) / first
		}
		rate = max(1e-6, rate)
		left := e.limit.critical(s.og) - c.finish(s, b, 1)
		if left < 0 {
			over += e.weights[i]
		}
		latest = append(latest, weighted{first + left/rate, e.weights[i]})
	}
	e.bench.latest = latest
	slices.SortFunc(latest, func(a, b weighted) int { return cmp.Compare(a.value, b.value) })
	return latest, over
}

// weighted is a value with its share.
type weighted struct{ value, share float64 }

// weightedQuantile of values sorted, each in the middle of its share.
func weightedQuantile(sorted []weighted, q float64) float64 {
	sum := 0.0
	for k, w := range sorted {
		mid := sum + w.share/2
		if mid >= q {
			if k == 0 {
				return w.value
			}
			last := sorted[k-1]
			before := sum - last.share/2
			return last.value + (w.value-last.value)*(q-before)/(mid-before)
		}
		sum += w.share
	}
	return sorted[len(sorted)-1].value
}

// CrashDue reports that the crash must be announced now: one announced at the
// next look would start, a response time later, after the last moment that
// keeps the ceiling at the accepted risk.
func (p Projection) CrashDue(nextLook time.Time, response time.Duration) bool {
	return p.CrashBy != nil && p.CrashBy.Before(nextLook.Add(response))
}
