package projection

import (
	"math"
	"time"

	"ebbline/projection/gravity"
)

// What would come of another choice. Each question is put to a copy, so asking
// changes nothing, and the same belief gives the same answer.

// Outcome is what a crash that starts at Start leads to.
type Outcome struct {
	Start time.Time
	ABV   Quantiles // five days later
	Over  float64   // P(that is above the ceiling)
}

// Held is what holding the beer at a temperature from now on leads to.
type Held struct {
	At      gravity.Celsius
	CrashBy *time.Time // then; nil: no crash is needed then
}

// Supposed is what comes of a choice of temperature and moment.
type Supposed struct {
	Outcome           // of the crash
	Crosses Crossing  // if it is not crashed at all
	IfLeft  Quantiles // then
}

// heldSteps is how finely HoldToMove looks: the span halved so often.
const heldSteps = 8

// Hold is the crossing if the beer were held at t from now on, reached with the
// vessel's cooling time constant.
func (e *Estimator) Hold(t gravity.Celsius) Crossing {
	c := e.Clone()
	c.holdAt = &t
	return c.Project().Crosses
}

// CrashAt is what comes of a crash that starts at t, at the temperatures to
// expect until then. A t that has passed stands for the present; if a crash has
// started already, it is that one's outcome.
func (e *Estimator) CrashAt(t time.Time) Outcome {
	c := e.Clone()
	if t.Before(c.now) {
		t = c.now
	}
	if c.crash != nil {
		t = *c.crash
	}
	runs := c.decided(futuresRun, t.Sub(c.gridTime()).Hours())
	var p Projection
	c.describe(&p, runs)
	out, over := Outcome{Start: t, ABV: p.ABVIfCrashedNow}, 0
	for r := range runs {
		if runs[r].now > runs[r].limit {
			over++
		}
	}
	out.Over = float64(over) / float64(len(runs))
	return out
}

// Suppose is what comes of a beer that is held at a temperature from now on
// (nil: the temperatures to expect) and whose crash starts at t. A t that has
// passed, and a crash that has started, count as for CrashAt.
func (e *Estimator) Suppose(hold *gravity.Celsius, t time.Time) Supposed {
	c := e.Clone()
	if c.crash == nil {
		c.holdAt = hold
	}
	p := c.Project()
	return Supposed{Outcome: c.CrashAt(t), Crosses: p.Crosses, IfLeft: p.ABVIfLeft}
}

// HoldToMove is the warmest temperature from low to high, to a tenth of a degree
// on the cold side, at which the beer must be held from now on for its crash by
// to come at target or later. False says that low is not cold enough; Held then
// tells what low would do. It is asked before the crash only: after it there is
// no crash by to move, and the answer is false.
func (e *Estimator) HoldToMove(target time.Time, low, high gravity.Celsius) (Held, bool) {
	c := e.Clone()
	at := func(t gravity.Celsius) (Held, bool) {
		c.holdAt = &t
		h := Held{At: t, CrashBy: c.Project().CrashBy}
		return h, h.CrashBy == nil || !h.CrashBy.Before(target)
	}
	if e.crash != nil || low > high {
		return Held{}, false
	}
	if h, ok := at(high); ok {
		return h, true
	}
	best, ok := at(low)
	if !ok {
		return best, false
	}
	for range heldSteps {
		mid := (best.At + high) / 2
		if h, ok := at(mid); ok {
			best = h
		} else {
			high = mid
		}
	}
	// Near the crash all hypotheses are asked, far from it a choice of them: where
	// the one gives way to the other, a little colder can look a little sooner.
	if h, ok := at(max(low, gravity.Celsius(math.Floor(float64(best.At)*10)/10))); ok {
		best = h
	}
	return best, true
}
