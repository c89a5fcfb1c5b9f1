package projection

import "math"

// redraw replaces hypotheses that carry no weight by copies of those that do
// and then moves every one by steps of a Markov chain that leaves the posterior
// as it is (resample-move: Gilks & Berzuini 2001, Chopin 2002). A step is the
// difference of two other hypotheses (ter Braak 2006), so it has the shape of
// the posterior without a decomposition; it is accepted by living through the
// whole history again.
func (e *Estimator) redraw() {
	n := len(e.theta)
	from := systematic(e.weights, n, e.rng.Float64())
	theta, brews := make([][numParams]float64, n), make([]brew, n)
	fall, like := make([]float64, n), make([]float64, n)
	for i, j := range from {
		theta[i], brews[i], fall[i], like[i] = e.theta[j], e.brews[j], e.fall[j], e.like[j]
	}
	// Not in place: copies of the estimator share these.
	e.theta, e.strains, e.brews, e.fall, e.like = theta, strainsOf(theta), brews, fall, like
	for _, f := range e.floats {
		f.reorder(from)
	}
	for i := range e.theta {
		e.logw[i] = 0
		e.weights[i] = 1 / float64(n)
	}
	e.moved = 0
	for range moves {
		e.move()
	}
	e.redrawn++
}

// jump is the usual share of the difference that a step takes: 2.38/√(2d) in d
// dimensions (ter Braak 2006).
func jump() float64 { return 2.38 / math.Sqrt(2*numParams) }

// move offers every hypothesis one step.
func (e *Estimator) move() {
	n := len(e.theta)
	usual := jump()
	l := life{floats: make([]floatMean, len(e.floats))}
	for i := range e.theta {
		l.theta = e.theta[i]
		bias := 0.0
		if e.rng.IntN(freshEvery) == 0 {
			bias = e.afresh(&l.theta)
		} else {
			a, b := &e.theta[e.rng.IntN(n)], &e.theta[e.rng.IntN(n)]
			size := usual * math.Exp(0.5*e.rng.NormFloat64()-0.3)
			for k := range numParams {
				l.theta[k] += size*(a[k]-b[k]) + 0.01*e.prior[k].sd*e.rng.NormFloat64()
			}
		}
		for k, f := range e.floats {
			l.floats[k] = f.Means[i]
			if e.rng.IntN(8) == 0 {
				l.floats[k].Noise = uint8(e.rng.IntN(noiseCount))
			}
		}
		e.relive(&l)
		odds := l.like - e.like[i] + e.logPrior(&l.theta) - e.logPrior(&e.theta[i]) + bias
		if math.Log(e.rng.Float64()) >= odds {
			continue
		}
		e.moved++
		e.theta[i], e.strains[i], e.brews[i], e.fall[i], e.like[i] = l.theta, l.strain, l.brew, l.fall, l.like
		for k, f := range e.floats {
			f.Means[i] = l.floats[k]
		}
	}
}

// logPrior is the log density of parameters before a reading, but for a constant.
func (e *Estimator) logPrior(theta *[numParams]float64) float64 {
	var logs [origins]float64
	top := math.Inf(-1)
	for o := range origins {
		sum := math.Log(o.share())
		for k := range e.prior {
			g := o.gauss(k, e.prior[k])
			share, wide, d := strangeness(k), oddity(k)*g.sd, theta[k]-g.mean
			sum += math.Log((1-share)*normal(d, g.sd*g.sd) + share*normal(d, wide*wide))
		}
		logs[o], top = sum, max(top, sum)
	}
	density := 0.0
	for _, l := range logs {
		density += math.Exp(l - top)
	}
	return top + math.Log(density)
}

// freshEvery is how many steps there are to one that draws parameters afresh.
const freshEvery = 3

// afresh draws some of what shapes the start of a fermentation from the wide
// prior, so that a batch no hypothesis foresaw is found all the same. It
// returns the log of the chance of the way back over that of the way there.
func (e *Estimator) afresh(theta *[numParams]float64) (bias float64) {
	for _, k := range [...]int{pLag, pRate, pPitched, pCrowd} {
		if e.rng.IntN(2) == 0 {
			continue
		}
		g := e.prior[k]
		before := (theta[k] - g.mean) / (strange * g.sd)
		after := e.rng.NormFloat64()
		theta[k] = g.mean + strange*g.sd*after
		bias += (after*after - before*before) / 2
	}
	return bias
}
