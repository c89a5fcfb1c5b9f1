package alert

import (
	"math"
	"slices"
	"time"

	"ebbline/projection"
)

// A cooling that fails half way: the temperature stands still far above its goal.
// Half of what was to be expected is reached for hours yet, but a cooling curve
// always moves.

const (
	// standsFor is the least time over which a temperature is seen to stand; of slow
	// vessels it is a part of their time constant, so that the curve falls by a
	// third of what is left in it.
	standsFor   = 2 * time.Hour
	standsShare = 0.4
	// standsMost is for how long temperatures are kept, keptEvery how closely.
	standsMost = 6 * time.Hour
	keptEvery  = 10 * time.Minute
	// standsPoints is how many a slope must rest on.
	standsPoints = 4
	// stands and moves are the parts of the curve's fall that are told as standing
	// still, and no longer.
	stands, moves = 0.25, 0.35
	// standsBy is by how much the fall must lag behind the curve's, °C: a thermometer
	// that shows full degrees may hide one. It must also lie so many of its standard
	// deviations below that of a cooling that takes much longer than was given; its
	// noise is at least leastNoise.
	standsBy, standsSDs, slowly, leastNoise = 2.2, 4.0, 0.6, 0.1
	// standsAbove is how far above its goal, and above what was to be expected an
	// hour later, a beer must stand, °C.
	standsAbove, standsLate = ColdMargin + 2, 2.0
)

// warmed is a temperature measured since the crash.
type warmed struct {
	At      time.Time
	Celsius float64
}

// cooled keeps a temperature for the slope; copies of the trail share what was kept.
func (tr *trail) cooled(o projection.Observation) {
	if n := len(tr.Cooled); n > 0 && o.Time.Sub(tr.Cooled[n-1].At) < keptEvery {
		return
	}
	from := slices.IndexFunc(tr.Cooled, func(w warmed) bool { return o.Time.Sub(w.At) <= standsMost })
	if from < 0 {
		from = len(tr.Cooled)
	}
	tr.Cooled = append(slices.Clone(tr.Cooled[from:]), warmed{o.Time, o.Value})
}

// slope is how the last temperatures of a cooling moved.
type slope struct {
	over     time.Duration
	end      float64 // °C, fitted
	fall, sd float64 // over it, °C
	curve    float64 // the fall by the cooling's curve from end on, °C
}

// coolingSlope fits a line to the temperatures of the last hours; false if they are
// too few.
func (v *view) coolingSlope() (slope, bool) {
	kept, tau := v.trail.Cooled, v.batch.Crash.TimeConstant
	want := max(standsFor, time.Duration(standsShare*float64(tau)))
	i, n := len(kept)-1, 0
	for ; i >= 0; i-- {
		n = len(kept) - i
		if kept[len(kept)-1].At.Sub(kept[i].At) >= want-keptEvery && n >= standsPoints {
			break
		}
	}
	if i < 0 || tau <= 0 {
		return slope{}, false
	}
	kept = kept[i:]
	last := kept[n-1].At
	over := last.Sub(kept[0].At)
	var mx, my, sxx, sxy, rest float64
	hours := func(w warmed) float64 { return w.At.Sub(last).Hours() }
	for _, w := range kept {
		mx, my = mx+hours(w)/float64(n), my+w.Celsius/float64(n)
	}
	for _, w := range kept {
		sxx += (hours(w) - mx) * (hours(w) - mx)
		sxy += (hours(w) - mx) * (w.Celsius - my)
	}
	b := sxy / sxx
	for _, w := range kept {
		d := w.Celsius - my - b*(hours(w)-mx)
		rest += d * d
	}
	s := slope{over: over, end: my - b*mx, fall: -b * over.Hours()}
	s.sd = max(leastNoise, math.Sqrt(rest/float64(n-2))) * over.Hours() / math.Sqrt(sxx)
	s.curve = (s.end - float64(v.batch.Crash.To)) * (1 - math.Exp(-over.Hours()/tau.Hours()))
	return s, true
}

// standstill is for how long the cooling has stood still far above its goal, 0 if it
// does not; moving says that it certainly goes on.
func (v *view) standstill() (stood time.Duration, moving bool) {
	s, known := v.coolingSlope()
	if !known {
		return 0, true
	}
	moving = s.fall >= moves*s.curve
	later, expected := v.expectedCooling(v.trail.TempAt.Add(time.Hour))
	if !expected || s.end < float64(v.batch.Crash.To)+standsAbove || s.end < float64(later)+standsLate ||
		s.fall > stands*s.curve || s.curve-s.fall < standsBy || s.fall+standsSDs*s.sd > slowly*s.curve {
		return 0, moving
	}
	return s.over, moving
}
