package projection

import (
	"math"
	"sort"
	"time"

	"ebbline/projection/gravity"
)

const (
	// restHours after the start of a crash its result is judged: five days.
	restHours = 120.0
	// futuresRun is how many hypotheses are run on to the end.
	futuresRun = 256
	fanRuns    = 100
)

// horizonSteps is how many points the path of a projection has.
const horizonSteps = 1 + 6 + 9 + 18 + 24

// hourOf is when a point of the path lies, h from its start: every hour for six
// hours, every second for a day, every fourth for four days, every eighth for
// twelve.
func hourOf(k int) float64 {
	switch {
	case k <= 6:
		return float64(k)
	case k <= 15:
		return 6 + 2*float64(k-6)
	case k <= 33:
		return 24 + 4*float64(k-15)
	}
	return 96 + 8*float64(k-33)
}

// coolSteps are the ends of the steps of a cooling in time constants; after the
// last the beer is as cold as it gets.
func coolSteps() [coolCount]float64 { return [...]float64{0.2, 0.45, 0.75, 1.1, 1.6, 2.3, 3.5} }

// coolCount is how many they are.
const coolCount = 7

// coldSteps is in how many growing steps the rest of the five days is run.
const coldSteps = 3

// chill is a crash that starts at one temperature: the climates of its steps.
type chill struct {
	steps [coolCount]climate
	cold  climate
	tau   float64 // h, as the brewer states it
}

func (e *Estimator) chillFrom(celsius float64) chill {
	to := float64(e.batch.Crash.To)
	c := chill{cold: climateAt(min(to, celsius)), tau: max(0.1, e.batch.Crash.TimeConstant.Hours())}
	if celsius < to { // nothing to cool
		to = celsius
	}
	before := 0.0
	for k, end := range coolSteps() {
		c.steps[k] = climateAt(to + (celsius-to)*math.Exp(-(before+end)/2))
		before = end
	}
	return c
}

// finish is the drop of a hypothesis five days after its crash starts.
func (c *chill) finish(s *strain, b brew, mood float64) float64 {
	tau := c.tau * s.cool
	before := 0.0
	for k, end := range coolSteps() {
		s.step(&b, c.steps[k], (end-before)*tau, mood)
		before = end
	}
	left := restHours - before*tau
	if left > 0 {
		part := left / (coldSteps * (coldSteps + 1) / 2)
		for k := 1; k <= coldSteps; k++ {
			s.step(&b, c.cold, part*float64(k), mood)
		}
	}
	return b.drop()
}

// run is the future of one hypothesis.
type run struct {
	s        *strain
	limit    float64 // critical drop, points
	path     []brew  // at horizon
	crossing float64 // h from now at which the ceiling is passed; +Inf never
	latest   float64 // h from now of the last crash start that keeps it; +Inf
	now      float64 // final drop if the crash starts a response time from now
}

// futures runs n hypotheses on.
func (e *Estimator) futures(n int) []run {
	picks := systematic(e.weights, n, 0.5)
	runs := e.bench.take(n)
	paths := e.bench.paths
	var climates [horizonSteps]climate
	var moods [horizonSteps]float64
	start := e.gridTime()
	for k := 1; k < horizonSteps; k++ {
		mid := (hourOf(k-1) + hourOf(k)) / 2
		climates[k] = climateAt(e.futureTemperature(start, mid))
		moods[k] = moodSD * (1 - math.Exp(-mid/moodHours))
	}
	for r, i := range picks {
		u := &runs[r]
		u.s = &e.strains[i]
		u.limit = e.limit.critical(u.s.og)
		u.path = paths[r*horizonSteps : (r+1)*horizonSteps]
		b := e.brews[i]
		stray := max(-2.5, min(2.5, e.drift[r]))
		u.path[0] = b
		u.crossing = math.Inf(1)
		if b.drop() > u.limit {
			u.crossing = 0
		}
		for k := 1; k < horizonSteps; k++ {
			before := b.drop()
			u.s.step(&b, climates[k], hourOf(k)-hourOf(k-1), 1+moods[k]*stray)
			u.path[k] = b
			if d := b.drop(); math.IsInf(u.crossing, 1) && d > u.limit {
				u.crossing = hourOf(k-1) + (hourOf(k)-hourOf(k-1))*(u.limit-before)/(d-before)
			}
		}
	}
	return runs
}

// futureTemperature is what is expected h hours after start if nobody acts, or
// of the cooling if a crash has started, with the steps that the brewer plans.
func (e *Estimator) futureTemperature(start time.Time, h float64) float64 {
	to, from, since := 0.0, e.presentTemperature(start), h
	last := e.planned(start.Add(time.Duration(h * float64(time.Hour))))
	switch {
	case e.holdAt != nil:
		to = float64(*e.holdAt)
	case e.crash != nil:
		to = float64(e.batch.Crash.To)
	case last == nil:
		return e.thermo.expected(start, h, e.batch.PitchedAt)
	default:
		to = float64(last.To)
		if begins := last.At.Sub(start).Hours(); begins > 0 {
			since = h - begins
			from = e.futureTemperature(start, math.Nextafter(begins, 0)-1e-6)
		}
	}
	tau := max(0.1, e.batch.Crash.TimeConstant.Hours()) * e.cooling()
	return to + (from-to)*math.Exp(-since/tau)
}

// planned is the last step that has begun by a moment; nil if none.
func (e *Estimator) planned(at time.Time) (last *Step) {
	for k := range e.batch.Steps {
		if s := &e.batch.Steps[k]; !s.At.After(at) {
			last = s
		}
	}
	return last
}

// cooling is the expected factor on the brewer's time constant.
func (e *Estimator) cooling() float64 {
	m := 0.0
	for i, w := range e.weights {
		m += w * e.strains[i].cool
	}
	return m
}

// at is the state h hours ahead, between the points of the path.
func (u *run) at(h float64) brew {
	k := sort.Search(horizonSteps, func(k int) bool { return hourOf(k) >= h })
	if k <= 0 {
		return u.path[0]
	}
	if k >= horizonSteps {
		return u.path[horizonSteps-1]
	}
	f := (h - hourOf(k-1)) / (hourOf(k) - hourOf(k-1))
	a, b := &u.path[k-1], &u.path[k]
	mix := func(x, y float64) float64 { return x + f*(y-x) }
	return brew{mix(a.used1, b.used1), mix(a.used2, b.used2), mix(a.woke, b.woke), mix(a.settled, b.settled)}
}

// settleLatest finds the last crash start that keeps the ceiling. The over-run
// changes little from one start to another, so a few secant steps do.
func (e *Estimator) settleLatest(u *run, first float64, chills []chill) {
	if math.IsInf(u.crossing, 1) {
		u.latest = math.Inf(1)
		return
	}
	h, excess := first, u.now-u.limit
	if excess > 0 { // too late already: by how long, at the present rate
		b, c := u.path[0], u.path[1]
		rate := max(1e-6, c.drop()-b.drop()) / (hourOf(1) - hourOf(0))
		u.latest = first - excess/rate
		return
	}
	low, lowExcess, high, highExcess := h, excess, u.crossing, math.Inf(1)
	for range 4 {
		if !math.IsInf(highExcess, 1) {
			h = low + (high-low)*(-lowExcess)/(highExcess-lowExcess)
		} else {
			over := u.limit + lowExcess - u.at(low).drop()
			h = min(max(u.timeOf(u.limit-over), low), high)
		}
		b := u.at(h)
		x := chillAt(chills, h).finish(u.s, b, 1) - u.limit
		if math.Abs(x) < 0.01 {
			break
		}
		if x > 0 {
			high, highExcess = h, x
		} else {
			low, lowExcess = h, x
		}
	}
	u.latest = h
}

// timeOf is when the path passes a drop, h; the end of the path if never.
func (u *run) timeOf(drop float64) float64 {
	k := sort.Search(len(u.path), func(k int) bool { return u.path[k].drop() >= drop })
	if k == 0 {
		return 0
	}
	if k == len(u.path) {
		return hourOf(k - 1)
	}
	a, b := u.path[k-1].drop(), u.path[k].drop()
	return hourOf(k-1) + (hourOf(k)-hourOf(k-1))*(drop-a)/(b-a)
}

// chillAt picks the crash that starts nearest to h; they are chillEvery apart.
func chillAt(chills []chill, h float64) *chill {
	k := int(h/chillEvery + 0.5)
	return &chills[min(max(k, 0), len(chills)-1)]
}

const (
	chillEvery = 2.0 // h
	chillCount = 25  // two days of room swing; later ones as the last
)

func (e *Estimator) chills() []chill {
	out := make([]chill, chillCount)
	for k := range out {
		out[k] = e.chillFrom(e.futureTemperature(e.gridTime(), float64(k)*chillEvery))
	}
	return out
}

// Project is the belief about what becomes of the beer.
func (e *Estimator) Project() Projection {
	first := e.batch.ResponseTime.Hours() + e.now.Sub(e.gridTime()).Hours()
	runs := e.decided(futuresRun, first)
	p := Projection{Time: e.now}
	e.decide(&p, runs, first)
	e.value(&p, runs)
	e.describe(&p, runs)
	return p
}

// bench is memory that projections use again.
type bench struct {
	runs   []run
	paths  []brew
	values [3][]float64
	latest []weighted
}

func (b *bench) take(n int) []run {
	if len(b.runs) < n {
		b.runs = make([]run, n)
		b.paths = make([]brew, n*horizonSteps)
		for k := range b.values {
			b.values[k] = make([]float64, n)
		}
	}
	return b.runs[:n]
}

// decided runs n hypotheses on and finds the latest crash start of each.
func (e *Estimator) decided(n int, first float64) []run {
	runs := e.futures(n)
	if e.crash != nil {
		for r := range runs {
			u := &runs[r]
			u.now, u.latest = u.at(restHours).drop(), math.Inf(1)
		}
		return runs
	}
	chills := e.chills()
	for r := range runs {
		u := &runs[r]
		b := u.at(first)
		u.now = chillAt(chills, first).finish(u.s, b, 1)
		e.settleLatest(u, first, chills)
	}
	return runs
}

// after is the time h hours after the state that the runs start from.
func (e *Estimator) after(h float64) time.Time {
	return e.gridTime().Add(time.Duration(h * float64(time.Hour))).Round(time.Second)
}

// quantile of sorted values, between neighbours where both are finite.
func quantile(sorted []float64, q float64) float64 {
	x := q*float64(len(sorted)) - 0.5
	k := int(math.Floor(x))
	if k < 0 {
		return sorted[0]
	}
	if k >= len(sorted)-1 {
		return sorted[len(sorted)-1]
	}
	a, b := sorted[k], sorted[k+1]
	if math.IsInf(b, 1) {
		return b
	}
	return a + (b-a)*(x-float64(k))
}

// describe fills in what is shown besides the decision.
func (e *Estimator) describe(p *Projection, runs []run) {
	n := len(runs)
	crossings, left, now := e.bench.values[0][:n], e.bench.values[1][:n], e.bench.values[2][:n]
	crossed := 0
	for r := range runs {
		u := &runs[r]
		crossings[r] = u.crossing
		if !math.IsInf(u.crossing, 1) {
			crossed++
		}
		left[r] = e.limit.abv(u.s.og, u.path[len(u.path)-1].drop())
		now[r] = e.limit.abv(u.s.og, u.now)
	}
	sort.Float64s(crossings)
	p.Crosses = Crossing{
		Probability: float64(crossed) / float64(n),
		P10:         e.moment(crossings, 0.1), P50: e.moment(crossings, 0.5), P90: e.moment(crossings, 0.9),
	}
	for k := range 20 {
		if t := e.moment(crossings, (float64(k)+0.5)/20); t != nil {
			p.Dots = append(p.Dots, *t)
		}
	}
	p.ABVIfLeft, p.ABVIfCrashedNow = spreadOf(left), spreadOf(now)
	p.Fan = e.fan(runs)
}

func (e *Estimator) moment(crossings []float64, q float64) *time.Time {
	h := quantile(crossings, q)
	if math.IsInf(h, 1) {
		return nil
	}
	t := e.after(h)
	return &t
}

func spreadOf(abv []float64) Quantiles {
	sort.Float64s(abv)
	return Quantiles{P10: gravity.ABV(quantile(abv, 0.1)), P50: gravity.ABV(quantile(abv, 0.5)), P90: gravity.ABV(quantile(abv, 0.9))}
}

// fan is the gravity to expect over the next five days.
func (e *Estimator) fan(runs []run) []FanPoint {
	var out []FanPoint
	some := runs
	if len(runs) > fanRuns {
		some = make([]run, fanRuns)
		for k := range some {
			some[k] = runs[k*len(runs)/fanRuns]
		}
	}
	g := make([]float64, len(some))
	for k := 0; k < horizonSteps && hourOf(k) <= restHours; k++ {
		for r := range some {
			g[r] = some[r].s.og - some[r].path[k].drop()
		}
		sort.Float64s(g)
		out = append(out, FanPoint{
			Time: e.after(hourOf(k)),
			P10:  gravity.Points(quantile(g, 0.1)).SG(), P50: gravity.Points(quantile(g, 0.5)).SG(), P90: gravity.Points(quantile(g, 0.9)).SG(),
		})
	}
	return out
}
