package projection

import (
	"math"
	"slices"
)

// history is what happened to a batch since pitch, as all hypotheses share it:
// enough to weigh a hypothesis that was not there from the beginning.
type history struct {
	Celsius []float64 // by grid step, rounded to 0.1 °C
	Samples []handSample
	Cooling []coolSample

	climates []climate
}

// clone is a copy that can grow on its own; what was recorded never changes.
func (h history) clone() history {
	return history{slices.Clip(h.Celsius), slices.Clip(h.Samples), slices.Clip(h.Cooling), slices.Clip(h.climates)}
}

// coolSample is a temperature measured while the beer cools.
type coolSample struct {
	Hours         float64 // since the crash started
	From, Celsius float64 // °C, at its start and measured
}

// feel adds the temperature of the next grid step.
func (h *history) feel(celsius float64) climate {
	celsius = math.Round(celsius*10) / 10
	n := len(h.Celsius)
	var c climate
	if n > 0 && h.Celsius[n-1] == celsius {
		c = h.climates[n-1]
	} else {
		c = climateAt(celsius)
	}
	h.Celsius = append(h.Celsius, celsius)
	h.climates = append(h.climates, c)
	return c
}

// life is a hypothesis lived through the history.
type life struct {
	theta  [numParams]float64
	strain strain
	brew   brew
	fall   float64
	like   float64     // log likelihood of floats and samples
	floats []floatMean // one a float
}

// span is a lift while the history is lived through again.
type span struct {
	from, to int
	level    float64
}

// relive runs a hypothesis from pitch through the history. The lifts and the
// opinions of noise in l.floats are taken as given, the means are made anew.
func (e *Estimator) relive(l *life) {
	l.strain = newStrain(&l.theta)
	s := &l.strain
	l.brew, l.like = brew{}, 0
	next := e.next[:0]
	for k, f := range e.floats {
		next = append(next, pass{f: f, mean: &l.floats[k], noise: l.floats[k].Noise})
		l.floats[k].Mean = vec{}
	}
	e.next = next
	for k := range next {
		next[k].lifts()
	}
	sample := 0
	product := 1.0 // of the floats' likelihoods, tempered in the end
	var u uptake
	dt := grid.Hours()
	for step := 1; step <= e.steps; step++ {
		if c := &e.history.climates[step-1]; step == 1 || *c != u.climate {
			u = s.uptakeAt(*c)
		}
		before := l.brew.drop()
		s.stepWith(&l.brew, &u, dt)
		drop := l.brew.drop()
		l.fall = drop - before
		for k := range next {
			p := &next[k]
			if p.at < len(p.f.Records) && p.f.Records[p.at].Step == step {
				product *= p.read(s.og-drop, e.history.Celsius[step-1]-18, step)
				if product < 1e-200 || product > 1e200 {
					l.like += tempering * math.Log(product)
					product = 1
				}
			}
		}
		for sample < len(e.history.Samples) && e.history.Samples[sample].Step == step {
			l.like += math.Log(e.history.Samples[sample].density(s.og, s.og-drop))
			sample++
		}
	}
	l.like += tempering * math.Log(product)
	for _, c := range e.history.Cooling {
		l.like += e.coolLike(c, s.cool)
	}
}

// pass is a float's records on the way through the history.
type pass struct {
	f     *float
	mean  *floatMean
	noise uint8
	at    int
	spans []span // newest first
	room  [6]span
}

// lifts lists the lifts of a mean, the current one first.
func (p *pass) lifts() {
	p.spans = p.room[:0]
	if p.mean.Lift != 0 {
		p.spans = append(p.spans, span{p.mean.Since, math.MaxInt, p.mean.Lift})
	}
	for n := p.mean.Past; n != nil; n = n.Before {
		p.spans = append(p.spans, span{n.From, n.To, n.Level})
	}
}

// read is the likelihood of the next record, given the gravity in points.
func (p *pass) read(points, warm float64, step int) float64 {
	r := &p.f.Records[p.at]
	h := grid.Hours()
	if p.at > 0 {
		h = float64(step-p.f.Records[p.at-1].Step) * grid.Hours()
	}
	p.at++
	m := &p.mean.Mean
	*m = m.after(h, r.gains.keep, r.Moved)
	v := r.Points - points - m.expected(warm)
	for len(p.spans) > 0 {
		last := &p.spans[len(p.spans)-1]
		if step >= last.to {
			p.spans = p.spans[:len(p.spans)-1]
			continue
		}
		if step >= last.from {
			v -= last.level
		}
		break
	}
	g := &r.gains.gain[p.noise]
	for d := range floatDim {
		m[d] += g[d] * v
	}
	return r.gains.norm[p.noise]*math.Exp(v*v*r.gains.half[p.noise]) + floor
}

// coolLike is the log likelihood of a temperature in the cooling if the time
// constant is cool times the brewer's.
func (e *Estimator) coolLike(c coolSample, cool float64) float64 {
	to := float64(e.batch.Crash.To)
	tau := max(0.2, e.batch.Crash.TimeConstant.Hours()) * cool
	want := to + (c.From-to)*math.Exp(-c.Hours/tau)
	return math.Log(normal(c.Celsius-want, 1.5*1.5) + 0.02)
}
