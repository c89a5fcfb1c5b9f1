package projection

import (
	"bytes"
	"encoding/gob"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// stateVersion is that of the form MarshalBinary writes.
const stateVersion = 2

// state is an estimator as it is stored.
type state struct {
	Version int
	Source  []byte
	Now     time.Time
	Steps   int
	Theta   [][numParams]float64
	Brews   [][4]float64
	Fall    []float64
	Like    []float64
	LogW    []float64
	History history
	Weights []float64
	Floats  []*float
	Thermo  thermo
	Crash   *time.Time
	CrashAt float64
	Judged  time.Time
	Redrawn int
}

// MarshalBinary stores the belief whole; Restore goes on from it exactly.
func (e *Estimator) MarshalBinary() ([]byte, error) {
	source, err := e.source.MarshalBinary()
	if err != nil {
		return nil, fmt.Errorf("storing the random source of batch %s: %w", e.batch.ID, err)
	}
	s := state{
		Version: stateVersion, Source: source, Now: e.now, Steps: e.steps, Theta: e.theta, Fall: e.fall, Like: e.like, History: e.history, LogW: e.logw,
		Weights: e.weights, Floats: e.floats, Thermo: e.thermo, Crash: e.crash, CrashAt: e.crashAt, Judged: e.judged, Redrawn: e.redrawn,
	}
	s.Brews = make([][4]float64, len(e.brews))
	for i, b := range e.brews {
		s.Brews[i] = [4]float64{b.used1, b.used2, b.woke, b.settled}
	}
	var out bytes.Buffer
	if err := gob.NewEncoder(&out).Encode(s); err != nil {
		return nil, fmt.Errorf("storing the belief about batch %s: %w", e.batch.ID, err)
	}
	return out.Bytes(), nil
}

// Restore is the belief about batch b that MarshalBinary stored. It refuses
// data of another version and data that is damaged.
func Restore(b Batch, data []byte) (*Estimator, error) {
	if err := b.validate(); err != nil {
		return nil, err
	}
	var s state
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return nil, fmt.Errorf("reading the stored belief about batch %s: %w", b.ID, err)
	}
	if s.Version != stateVersion {
		return nil, fmt.Errorf("stored belief about batch %s has version %d, not %d: replay its readings instead", b.ID, s.Version, stateVersion)
	}
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("stored belief about batch %s: %w", b.ID, err)
	}
	e := blank(b)
	if err := e.source.UnmarshalBinary(s.Source); err != nil {
		return nil, fmt.Errorf("reading the random source of batch %s: %w", b.ID, err)
	}
	e.now, e.steps, e.theta, e.thermo = s.Now, s.Steps, s.Theta, s.Thermo
	e.crash, e.crashAt, e.judged, e.redrawn, e.floats = s.Crash, s.CrashAt, s.Judged, s.Redrawn, s.Floats
	e.allocate()
	e.fall, e.like, e.logw, e.weights = s.Fall, s.Like, s.LogW, s.Weights
	e.strains = strainsOf(e.theta)
	e.brews = make([]brew, len(e.theta))
	for i, v := range s.Brews {
		e.brews[i] = brew{v[0], v[1], v[2], v[3]}
	}
	e.recall(s.History)
	return e, nil
}

// recall makes anew what of the history is not stored because it follows from it.
func (e *Estimator) recall(h history) {
	for _, t := range h.Celsius {
		e.history.feel(t)
	}
	e.history.Samples, e.history.Cooling = h.Samples, h.Cooling
	for _, f := range e.floats {
		e.rebuild(f)
	}
}

// rebuild makes a float's covariances and gains from its records.
func (e *Estimator) rebuild(f *float) {
	f.restart()
	f.Displaced = false
	last := -1
	for k := range f.Records {
		r := &f.Records[k]
		h := grid.Hours()
		if last >= 0 {
			h = float64(r.Step-last) * grid.Hours()
		}
		f.spread(h)
		f.shift(r.Moved)
		r.gains = f.gains(e.history.Celsius[r.Step-1]-18, r.Count, r.Foam)
		r.gains.keep = math.Exp(-h / slowHours)
		f.narrow(&r.gains)
		last = r.Step
	}
}

func (s *state) check() error {
	n := len(s.Theta)
	if n == 0 || n > 1<<16 {
		return fmt.Errorf("%d hypotheses", n)
	}
	for _, m := range []int{len(s.Brews), len(s.Fall), len(s.Like), len(s.LogW), len(s.Weights)} {
		if m != n {
			return fmt.Errorf("parts for %d and %d hypotheses", n, m)
		}
	}
	if s.Steps != len(s.History.Celsius) {
		return fmt.Errorf("temperatures of %d steps for %d", len(s.History.Celsius), s.Steps)
	}
	for _, f := range s.Floats {
		if f == nil || len(f.Means) != n {
			return fmt.Errorf("a float's part does not fit %d hypotheses", n)
		}
		counts := []int{f.Calm.Heard, f.Rise.Heard}
		for _, b := range f.Beside {
			counts = append(counts, b.Rise.Heard)
		}
		if slices.Min(counts) < 0 {
			return fmt.Errorf("float %s was heard less than never", f.Name)
		}
		for k, r := range f.Records {
			if r.Step < 1 || r.Step > s.Steps || r.Count < 1 || k > 0 && r.Step <= f.Records[k-1].Step {
				return fmt.Errorf("record %d of float %s is out of order", k, f.Name)
			}
		}
		for _, m := range f.Means {
			if int(m.Noise) >= noiseCount {
				return fmt.Errorf("noise %d of float %s is unknown", m.Noise, f.Name)
			}
		}
	}
	return nil
}

// Aside is a copy to be kept for later: a third smaller, it is good for Clone and
// MarshalBinary only.
func (e *Estimator) Aside() *Estimator { return e.copied(nil) }

// Idle lets go of memory that is only kept for being used again soon.
func (e *Estimator) Idle() { e.bench, e.next = bench{}, nil }

// Clone is a copy that shares nothing that changes: parameters are replaced, all
// of them, when they are redrawn.
func (e *Estimator) Clone() *Estimator {
	strains := e.strains
	if strains == nil { // set aside
		strains = strainsOf(e.theta)
	}
	c := e.copied(strains)
	c.scratch = make([]float64, len(e.weights))
	return c
}

// strainsOf are the strains that follow from their parameters.
func strainsOf(theta [][numParams]float64) []strain {
	all := make([]strain, len(theta))
	for i := range theta {
		all[i] = newStrain(&theta[i])
	}
	return all
}

func (e *Estimator) copied(strains []strain) *Estimator {
	c := *e
	source := *e.source
	c.source = &source
	c.rng = rand.New(c.source)
	c.strains, c.brews = strains, slices.Clone(e.brews)
	c.fall, c.logw, c.weights = slices.Clone(e.fall), slices.Clone(e.logw), slices.Clone(e.weights)
	c.bench, c.next, c.scratch = bench{}, nil, nil
	c.like = slices.Clone(e.like)
	c.history = e.history.clone()
	c.floats = make([]*float, len(e.floats))
	for k, f := range e.floats {
		g := *f
		g.Means, g.Pending, g.Records, g.Beside = slices.Clone(f.Means), slices.Clone(f.Pending), slices.Clip(f.Records), slices.Clone(f.Beside)
		c.floats[k] = &g
	}
	if e.crash != nil {
		t := *e.crash
		c.crash = &t
	}
	return &c
}
