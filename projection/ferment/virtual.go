package ferment

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"ebbline/projection/gravity"
)

const (
	// gridStep is the step of a virtual batch in hours: under half the shortest
	// time constant with which a drawn sugar runs out.
	gridStep = 0.05
	gridTime = 3 * time.Minute
	// restAfter is how long after a crash its final strength is taken.
	restAfter = 120 // hours
	// warming is what a gram of extract per 100 g warms beer when it ferments,
	// K: 586 kJ/kg of extract (trade rule) over 4.05 kJ/(kg·K).
	warming = 10 * 0.586 / 4.05
)

// Brew is what the brewer of a virtual batch knows and writes into its file.
type Brew struct {
	Volume          gravity.Litres
	OriginalGravity gravity.SG // hand sample at pitch: it errs
	Ceiling         gravity.Ceiling
	MaltoseNegative bool
	PitchedAt       time.Time
	ResponseTime    time.Duration
	CrashTo         gravity.Celsius
	TimeConstant    time.Duration // as the brewer believes it
}

// Truth is what a virtual batch really is at a time.
type Truth struct {
	Time            time.Time
	OriginalGravity gravity.SG
	Gravity         gravity.SG // at 20 °C
	Temperature     gravity.Celsius
	ABV             gravity.ABV // by Balling's rule from the true gravities
}

// Virtual is a simulated batch. Its time only goes forward, on a grid of three
// minutes; what it is at a time does not depend on how it was asked before.
// Not for use by several goroutines at once.
type Virtual struct {
	Seed uint64
	Kind Kind
	Brew
	Floats       []*Float
	Thermometers []*Thermometer

	og       gravity.SG
	strain   strain
	room     room
	cooling  time.Duration // the vessel's true time constant in the cold
	hand     *rand.Rand    // errs in hand samples
	solver   *rungeKutta
	state    []float64
	beer     gravity.Celsius
	steps    int     // of the grid since pitch
	crashed  float64 // hour of the crash, infinite before
	lastRead float64
}

// room is the air around the vessel before the crash.
type room struct {
	mean, swing   gravity.Celsius // the swing goes up and down by this, daily
	warmest       float64         // hour after pitch at which it first is warmest
	timeConstant  float64         // of the beer in that air, hours
	pitchedWarmer gravity.Celsius // beer over the room at pitch
	step          gravity.Celsius // it is set warmer by this …
	stepAt        float64         // … at this hour after pitch
}

func (r room) at(hour float64) gravity.Celsius {
	set := r.mean
	if hour >= r.stepAt {
		set += r.step
	}
	return set + r.swing*gravity.Celsius(math.Cos(2*math.Pi*(hour-r.warmest)/24))
}

// Step moves the batch on to t; a time before its own changes nothing.
func (v *Virtual) Step(t time.Time) { v.stepTo(t.Sub(v.PitchedAt).Hours()) }

func (v *Virtual) stepTo(hour float64) {
	for until := int(math.Floor(hour/gridStep + 1e-9)); v.steps < until; v.steps++ {
		now := float64(v.steps) * gridStep
		around, constant := v.room.at(now), v.room.timeConstant
		if now >= v.crashed {
			around, constant = v.CrashTo, v.cooling.Hours()
		}
		before := v.strain.eaten(v.state)
		v.solver.step(v.state, gridStep, v.strain.slopes(v.beer))
		heat := warming * (v.strain.eaten(v.state) - before)
		v.beer = around + (v.beer-around)*gravity.Celsius(math.Exp(-gridStep/constant)) + gravity.Celsius(heat)
	}
}

// At moves the batch on to t and tells its truth there; for a time before the
// batch's own it tells the truth, and the time, that the batch has come to.
func (v *Virtual) At(t time.Time) Truth {
	v.Step(t)
	if own := v.PitchedAt.Add(time.Duration(v.steps) * gridTime); t.Before(own) {
		t = own
	}
	now := fermented(v.og, v.strain.eaten(v.state))
	return Truth{
		Time: t, OriginalGravity: v.og, Gravity: now, Temperature: v.beer,
		ABV: max(0, gravity.Balling.ABV(v.og, now)),
	}
}

// StartCrash moves the batch on to t and puts it into the cold; a second crash
// changes nothing.
func (v *Virtual) StartCrash(t time.Time) {
	v.Step(t)
	v.crashed = min(v.crashed, t.Sub(v.PitchedAt).Hours())
}

// FinalABVIfCrash is the strength five days after a crash that starts at t. If t
// lies before the batch's own time, the crash starts then. The batch itself
// does not move.
func (v *Virtual) FinalABVIfCrash(t time.Time) gravity.ABV {
	ghost := *v
	ghost.state = slices.Clone(v.state)
	ghost.solver = newRungeKutta(len(v.state))
	ghost.Step(t)
	start := max(t.Sub(v.PitchedAt).Hours(), float64(ghost.steps)*gridStep)
	ghost.crashed = min(v.crashed, start)
	ghost.stepTo(start + restAfter)
	return gravity.Balling.ABV(v.og, fermented(v.og, v.strain.eaten(ghost.state)))
}

// Read moves the batch on to t and tells what its sensors send at that moment;
// silent ones are left out. To be called at the floats' own interval, in order.
func (v *Virtual) Read(t time.Time) []Reading {
	truth := v.At(t)
	hour := t.Sub(v.PitchedAt).Hours()
	var shown []Reading
	for _, f := range v.Floats {
		if r, sent := f.read(hour, hour-v.lastRead, truth.Gravity, truth.Temperature); sent {
			shown = append(shown, r)
		}
	}
	for _, p := range v.Thermometers {
		shown = append(shown, p.read(truth.Temperature))
	}
	v.lastRead = hour
	return shown
}

// Sample moves the batch on to t and draws a sample by hand.
func (v *Virtual) Sample(t time.Time) gravity.SG {
	return ReadByHand(v.At(t).Gravity, v.hand)
}

// ReadByHand is what a sample by hand of that gravity shows: its standard
// deviation is 0.4 points and it is read to half a point.
func ReadByHand(truth gravity.SG, rng *rand.Rand) gravity.SG {
	shown := float64(truth.Points()) + 0.4*rng.NormFloat64()
	return gravity.Points(math.Round(shown*2) / 2).SG()
}
