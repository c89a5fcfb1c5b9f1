package projection

import "math"

// glass is the cubic expansion of a hydrometer's glass, 1/K (handbook value,
// from memory).
const glass = 25e-6

// handSample is what a sample taken by hand says, after a grid step. Its beer
// is what the hypotheses believe, not what a float shows.
type handSample struct {
	Step    int
	Gravity float64 // points at 20 °C; NaN if not measured
	Brix    float64 // °Bx; NaN if not measured
}

// Sample takes a measurement by hand. A gravity read at another temperature
// than 20 °C is corrected as a glass hydrometer's; Brix is that of a
// refractometer. pH does not bear on strength. Samples from before the pitch
// are ignored, and so are values that are not finite.
func (e *Estimator) Sample(s Sample) {
	if s.Time.Before(e.batch.PitchedAt) {
		return
	}
	e.Advance(s.Time)
	h := handSample{e.steps, math.NaN(), math.NaN()}
	if g, ok := s.At20(); ok {
		h.Gravity = float64(g.Points())
	}
	if s.Brix != nil {
		h.Brix = float64(*s.Brix)
	}
	if !h.speaks() {
		return
	}
	g := e.gravityAt(s.Time)
	if !math.IsNaN(h.Gravity) {
		e.contradict(h.Gravity, g, s.Time)
	}
	for i := range e.logw {
		l := math.Log(h.density(e.strains[i].og, g[i]))
		e.logw[i] += l
		e.like[i] += l
	}
	e.history.Samples = append(e.history.Samples, h)
	e.reweigh()
}

func (h handSample) speaks() bool {
	return !math.IsNaN(h.Gravity) && !math.IsInf(h.Gravity, 0) || !math.IsNaN(h.Brix) && !math.IsInf(h.Brix, 0)
}

// density is how likely the sample is if original gravity and gravity are as
// given, points.
func (h handSample) density(og, now float64) float64 {
	p := 1.0
	if !math.IsNaN(h.Gravity) {
		p = misread(h.Gravity-now, sampleSD)
	}
	if !math.IsNaN(h.Brix) {
		p *= misread(h.Brix-refracted(og, og-now), brixSD)
	}
	return p
}

// A hand sample, also that at pitch, is now and then misread: with this chance
// its error has this many times the usual deviation.
const (
	blunders = 0.03
	blunder  = 7.0
)

// A sample can also have nothing to do with this beer: of another vessel, read
// in hot wort, typed with a wrong digit. With this chance it lies anywhere in a
// span of so many deviations, about all that is taken as a gravity; so one that
// lies far from all that is believed moves nothing.
const (
	slips    = 0.01
	slipSpan = 500.0
)

// misread is the density of an error d of a hand sample: of the likelier of the
// two, misread or a slip, so that a usual sample weighs what it did without slips.
func misread(d, sd float64) float64 {
	wide := blunder * sd
	return max((1-blunders)*normal(d, sd*sd)+blunders*normal(d, wide*wide), slips/(slipSpan*sd))
}
