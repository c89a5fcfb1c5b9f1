package projection

import (
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"ebbline/projection/gravity"
)

const (
	// hypotheses is how many are carried.
	hypotheses = 2000
	// grid is the step of the kinetics.
	grid = 15 * time.Minute
	// dullShare is the effective share of hypotheses below which they are drawn anew.
	dullShare = 0.5
	// moves is how often each hypothesis is moved when they are drawn anew.
	moves = 2
	// moodSD and moodHours: in the future the rate strays from the model by
	// this share, as slowly as that.
	moodSD    = 0.06
	moodHours = 24.0
	// sampleSD is the standard deviation of a hand sample, points, when the
	// brewer states none: 0.4 by the hydrometer, read to half a point.
	sampleSD = 0.43
	// brixSD is that of a refractometer, °Bx, with what worts differ from sucrose.
	brixSD = 0.25
)

// Estimator is the belief about one batch: weighted hypotheses of what the beer
// is, each with what it thinks of the floats.
type Estimator struct {
	batch  Batch
	limit  limits
	source *rand.PCG
	rng    *rand.Rand

	now     time.Time
	steps   int                  // of the grid since pitch
	theta   [][numParams]float64 // never changed in place but while redrawing, like strains: copies share them
	strains []strain
	brews   []brew
	fall    []float64 // points, in the last step
	like    []float64 // log likelihood of all that was seen
	logw    []float64
	weights []float64 // normalised
	history history
	next    []pass // memory that relive uses again
	floats  []*float
	thermo  thermo
	crash   *time.Time
	crashAt float64 // °C when it started
	judged  time.Time
	holdAt  *gravity.Celsius // of a what-if; nil otherwise
	bench   bench
	scratch []float64
	drift   []float64 // standard normal, fixed: how each run's mood will stray
	redrawn int
	moved   int // of the last redraw's moves, accepted
	prior   [numParams]gauss
}

// New starts a belief at the moment of pitching. It refuses a batch that names
// no identity, no pitch time, a risk outside (0, 1), an original gravity
// outside 1.000..1.200 or a ceiling that is not above zero.
func New(b Batch) (*Estimator, error) {
	if err := b.validate(); err != nil {
		return nil, err
	}
	e := blank(b)
	n := hypotheses
	e.theta = make([][numParams]float64, n)
	e.strains = make([]strain, n)
	e.brews = make([]brew, n)
	for i := range n {
		e.theta[i] = drawPrior(&e.prior, e.rng)
		e.strains[i] = newStrain(&e.theta[i])
	}
	e.allocate()
	return e, nil
}

func (b Batch) validate() error {
	switch {
	case b.ID == "":
		return errors.New("batch has no ID")
	case b.PitchedAt.IsZero():
		return fmt.Errorf("batch %s: no time of pitching", b.ID)
	case !(b.OriginalGravity > 1 && b.OriginalGravity <= 1.2):
		return fmt.Errorf("batch %s: original gravity %v is outside 1.000..1.200", b.ID, b.OriginalGravity)
	case !(b.OriginalGravitySD >= 0 && b.OriginalGravitySD < 20):
		return fmt.Errorf("batch %s: standard deviation of the original gravity, %v points, is outside 0..20", b.ID, b.OriginalGravitySD)
	case !(b.Ceiling.Limit > 0 && b.Ceiling.Limit < 20):
		return fmt.Errorf("batch %s: ceiling %v %% ABV is outside 0..20", b.ID, b.Ceiling.Limit)
	case !(b.Risk > 0 && b.Risk < 1):
		return fmt.Errorf("batch %s: risk %v is outside 0..1", b.ID, b.Risk)
	case b.ResponseTime < 0 || b.Crash.TimeConstant < 0:
		return fmt.Errorf("batch %s: negative response time or time constant", b.ID)
	case !slices.Contains(gravity.Rules(), b.Rule) && b.Rule != "":
		return fmt.Errorf("batch %s: no rule %q for strength", b.ID, b.Rule)
	case !slices.IsSortedFunc(b.Steps, func(a, c Step) int { return a.At.Compare(c.At) }):
		return fmt.Errorf("batch %s: planned steps of temperature are out of order", b.ID)
	case b.Yeast != StandardYeast && b.Yeast != MaltoseNegative:
		return fmt.Errorf("batch %s: no prior for yeast %q; known are %s, %s", b.ID, b.Yeast, StandardYeast, MaltoseNegative)
	}
	return nil
}

func sampleSpread(sd gravity.Points) float64 {
	if sd == 0 {
		return sampleSD
	}
	return float64(sd)
}

// blank is an estimator without hypotheses; its random numbers come from the
// batch's identity.
func blank(b Batch) *Estimator {
	h := fnv.New64a()
	h.Write([]byte(b.ID))
	e := &Estimator{batch: b, limit: newLimits(b), source: rand.NewPCG(h.Sum64(), 0x5eed), now: b.PitchedAt}
	e.rng = rand.New(e.source)
	e.prior = prior(b.Yeast)
	e.prior[pOG] = gauss{float64(b.OriginalGravity.Points()), sampleSpread(b.OriginalGravitySD)}
	fixed := rand.New(rand.NewPCG(h.Sum64(), 0xd1f7))
	e.drift = make([]float64, hypotheses)
	for i := range e.drift {
		e.drift[i] = fixed.NormFloat64()
	}
	return e
}

func (e *Estimator) allocate() {
	n := len(e.theta)
	e.logw = make([]float64, n)
	e.like = make([]float64, n)
	e.fall = make([]float64, n)
	e.scratch = make([]float64, n)
	e.weights = make([]float64, n)
	for i := range e.weights {
		e.weights[i] = 1 / float64(n)
	}
}

// Advance lets time pass without news. Times before the last are ignored.
func (e *Estimator) Advance(t time.Time) {
	for {
		next := e.batch.PitchedAt.Add(time.Duration(e.steps+1) * grid)
		if next.After(t) {
			break
		}
		e.stepOn()
	}
	if t.After(e.now) {
		e.now = t
	}
}

func (e *Estimator) gridTime() time.Time { return e.stepTime(e.steps) }

func (e *Estimator) stepTime(step int) time.Time {
	return e.batch.PitchedAt.Add(time.Duration(step) * grid)
}

// stepOn runs every hypothesis to the next grid step and takes in what the
// floats have said since the last.
func (e *Estimator) stepOn() {
	c := e.history.feel(e.presentTemperature(e.gridTime()))
	dt := grid.Hours()
	for i := range e.brews {
		b := &e.brews[i]
		before := b.drop()
		e.strains[i].step(b, c, dt, 1)
		e.fall[i] = b.drop() - before
	}
	e.steps++
	e.takeIn()
}

// takeIn weighs the hypotheses by the readings that wait.
func (e *Estimator) takeIn() {
	for _, f := range e.floats {
		if len(f.Pending) == 0 || e.steps == 0 {
			continue
		}
		if e.crash != nil {
			f.Calm, f.Rise, f.Beside = calm{}, rise{}, nil // in the cold it is quiet rightly, and the beer denser
		}
		warm := e.history.Celsius[e.steps-1] - 18
		if carried, began := e.besides(f, warm); carried {
			f.Pending = f.Pending[:0]
			if began >= 0 {
				e.forget(f, began-riseSpan)
			}
			continue
		}
		if f.take(e.steps, warm, e.gravityAt(e.gridTime()), e.weights, e.logw, e.like, e.rng) {
			e.reweigh()
			if f.Rise.Carried {
				e.forget(f, f.Rise.Began-riseSpan)
			}
		}
	}
}

// presentTemperature is the last known one, or what it is expected to have
// become since if the thermometer is silent.
func (e *Estimator) presentTemperature(at time.Time) float64 {
	if !e.thermo.Known {
		return usualRoom
	}
	h := at.Sub(e.thermo.At).Hours()
	if h <= 1 {
		return e.thermo.Now
	}
	if e.crash != nil && !at.Before(*e.crash) {
		tau := max(0.2, e.batch.Crash.TimeConstant.Hours())
		to := float64(e.batch.Crash.To)
		from := e.thermo.Now
		if e.thermo.At.Before(*e.crash) { // cooling counts from its start
			from, h = e.crashAt, at.Sub(*e.crash).Hours()
		}
		return to + (from-to)*math.Exp(-h/tau)
	}
	usual := e.thermo.expected(e.thermo.At, h, e.batch.PitchedAt)
	if step := e.planned(at); step != nil {
		tau := max(0.2, e.batch.Crash.TimeConstant.Hours())
		return float64(step.To) + (usual-float64(step.To))*math.Exp(-min(h, at.Sub(step.At).Hours())/tau)
	}
	return usual
}

// gravityAt fills e.scratch with each hypothesis' gravity at t, points.
func (e *Estimator) gravityAt(t time.Time) []float64 {
	part := t.Sub(e.gridTime()).Hours() / grid.Hours()
	part = min(1, max(0, part))
	for i := range e.brews {
		e.scratch[i] = e.strains[i].og - e.brews[i].drop() - part*e.fall[i]
	}
	return e.scratch
}

// Observe takes a sensor's value. Quantities it cannot use, values that are not
// finite and times before the last are ignored.
func (e *Estimator) Observe(o Observation) {
	if math.IsNaN(o.Value) || math.IsInf(o.Value, 0) {
		return
	}
	e.Advance(o.Time)
	switch o.Quantity {
	case Temperature:
		if e.thermo.Hot.hear(o) {
			return
		}
		e.thermo.take(o.Time, o.Value, e.batch.PitchedAt)
		e.learnCooling(o.Time, o.Value)
	case Gravity:
		if o.Time.Before(e.batch.PitchedAt) {
			return
		}
		e.float(o.Sensor).heard(float64(gravity.SG(o.Value).Points()), o.Repeated)
		if o.Time.Equal(e.gridTime()) {
			e.takeIn()
		}
	}
}

// float finds a sensor, or takes up a new one.
func (e *Estimator) float(name string) *float {
	for _, f := range e.floats {
		if f.Name == name {
			return f
		}
	}
	f := newFloat(name, len(e.theta), e.rng)
	e.floats = append(e.floats, f)
	return f
}

// CrashStarted tells that cooling began at t.
func (e *Estimator) CrashStarted(t time.Time) {
	e.Advance(t)
	e.crashAt = e.presentTemperature(t)
	e.crash = &t
	e.judged = t
}

// learnCooling weighs the hypotheses' time constants by how the beer cools.
// Readings less than an hour apart tell nothing new.
func (e *Estimator) learnCooling(t time.Time, celsius float64) {
	if e.crash == nil || t.Sub(e.judged) < time.Hour {
		return
	}
	e.judged = t
	c := coolSample{t.Sub(*e.crash).Hours(), e.crashAt, celsius}
	e.history.Cooling = append(e.history.Cooling, c)
	for i := range e.logw {
		l := e.coolLike(c, e.strains[i].cool)
		e.logw[i] += l
		e.like[i] += l
	}
	e.reweigh()
}

// reweigh normalises the weights and draws the hypotheses anew when too few
// carry them.
func (e *Estimator) reweigh() {
	top := math.Inf(-1)
	for _, l := range e.logw {
		top = max(top, l)
	}
	sum, squares := 0.0, 0.0
	for i, l := range e.logw {
		w := math.Exp(l - top)
		e.weights[i] = w
		sum += w
	}
	for i := range e.weights {
		e.logw[i] -= top
		e.weights[i] /= sum
		squares += e.weights[i] * e.weights[i]
	}
	if 1/squares < dullShare*float64(len(e.weights)) {
		e.redraw()
	}
}

// systematic draws n indices by weight with one random number u in [0, 1).
func systematic(weights []float64, n int, u float64) []int {
	out := make([]int, n)
	sum, j := weights[0], 0
	for i := range n {
		at := (float64(i) + u) / float64(n)
		for sum < at && j < len(weights)-1 {
			j++
			sum += weights[j]
		}
		out[i] = j
	}
	return out
}

// Estimate is the belief about the present.
func (e *Estimator) Estimate() Estimate {
	g := e.gravityAt(e.now)
	var mg, mm, ma, maa float64
	for i, w := range e.weights {
		a := e.limit.abv(e.strains[i].og, e.strains[i].og-g[i])
		mg += w * g[i]
		ma += w * a
		mm += w * g[i] * g[i]
		maa += w * a * a
	}
	out := Estimate{
		Time:      e.now,
		Gravity:   gravity.Points(mg).SG(),
		GravitySD: gravity.SG(math.Sqrt(max(0, mm-mg*mg)) / 1000),
		ABV:       gravity.ABV(ma),
		ABVSD:     gravity.ABV(math.Sqrt(max(0, maa-ma*ma))),
	}
	if e.thermo.Known {
		t := gravity.Celsius(e.presentTemperature(e.now))
		out.Temperature = &t
	}
	return out
}
