package alert

import (
	"slices"
	"time"

	"ebbline/projection"
)

// heard is when a sensor was last heard and how it usually speaks.
type heard struct {
	Last time.Time // arrival; the start if it was never heard
	Ever bool
	Gaps []time.Duration // the last few between arrivals
	// Float: it has given a gravity; since then the above are of its gravities,
	// and Else is the arrival of anything else. A float that goes on about its
	// temperature while its gravities are refused is not heard.
	Float bool
	Else  time.Time
	// Warmth is the arrival of the last temperature; zero: none.
	Warmth time.Time
}

// last is the last arrival of anything.
func (s *heard) last() time.Time {
	if s.Else.After(s.Last) {
		return s.Else
	}
	return s.Last
}

// hearing knows the batch's sensors by name.
type hearing map[string]*heard

// usualGaps is how many gaps make a sensor's habit.
const usualGaps = 9

func newHearing(sensors []string, start time.Time) hearing {
	h := hearing{}
	for _, s := range sensors {
		h[s] = &heard{Last: start}
	}
	return h
}

// from notes that a sensor was heard, and of what.
func (h hearing) from(sensor string, of projection.Quantity, now time.Time) {
	gravity := of == projection.Gravity
	s := h[sensor]
	if s == nil {
		s = &heard{Last: now}
		h[sensor] = s
	}
	if of == projection.Temperature {
		s.Warmth = now
	}
	if s.Float && !gravity {
		s.Else = now
		return
	}
	if gravity && !s.Float {
		s.Float, s.Gaps = true, nil
	}
	if gap := now.Sub(s.Last); s.Ever && gap > 0 {
		s.Gaps = append(s.Gaps, gap)
		if len(s.Gaps) > usualGaps {
			s.Gaps = s.Gaps[1:]
		}
	}
	s.Last, s.Ever = now, true
}

// only keeps the named sensors; new ones start to be expected now.
func (h hearing) only(sensors []string, now time.Time) {
	for name := range h {
		if !slices.Contains(sensors, name) {
			delete(h, name)
		}
	}
	for _, name := range sensors {
		if h[name] == nil {
			h[name] = &heard{Last: now}
		}
	}
}

// names are the sensors in order.
func (h hearing) names() []string {
	var names []string
	for name := range h {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// patience is how long the sensor may be silent: least, or four of its usual
// intervals. Each silence told before doubles it, so that a sensor with gaps is
// not told of each time.
func (s *heard) patience(least time.Duration, told int) time.Duration {
	p := least
	if len(s.Gaps) >= 3 {
		gaps := slices.Sorted(slices.Values(s.Gaps))
		p = max(p, 4*gaps[len(gaps)/2])
	}
	return p << min(max(told, 0), 4)
}

// latest is when any sensor was last heard, and whether one ever was.
func (h hearing) latest() (t time.Time, ever bool) {
	for _, s := range h {
		if s.Ever && (!ever || s.last().After(t)) {
			t, ever = s.last(), true
		}
	}
	return t, ever
}

// floats reports whether any sensor has given a gravity.
func (h hearing) floats() bool {
	for _, s := range h {
		if s.Float {
			return true
		}
	}
	return false
}

// heardAgain ends at once what was told of the silence of sensors that have just
// spoken: the next look may be a quarter of an hour away.
func (w *Watch) heardAgain(obs []projection.Observation) []Event {
	var found []finding
	for _, o := range obs {
		s := w.heard[o.Sensor]
		if s != nil && w.book.of(SensorSilent, o.Sensor).Open && w.now.Sub(s.Last) < w.opts.Silence {
			found = append(found, finding{kind: SensorSilent, subject: o.Sensor, clears: true, why: heardAgain})
		}
	}
	if last, _ := w.heard.warmth(w.opts.Silence, 0); w.book.of(SensorSilent, unwatched).Open && w.now.Sub(last) < w.opts.Silence {
		found = append(found, finding{kind: SensorSilent, subject: unwatched, clears: true, why: heardAgain})
	}
	if len(found) == 0 {
		return nil
	}
	said := w.book.apply(w.now, found, false)
	w.state = w.view().state()
	return said
}

const heardAgain = "the sensor is heard again"

// MayYetSpeak is for how long the sensor of whose silence an open alert tells may
// still be about to speak for the first time: a batch begun long after its pitch has
// heard nothing before, which tells nothing of its sensors. 0: it has spoken.
func (w *Watch) MayYetSpeak(n int) time.Duration {
	if _, ever := w.heard.latest(); !ever {
		if e := w.book.of(SensorSilent, unwatched); e.Open && e.N == n {
			return w.opts.Silence
		}
	}
	for name, s := range w.heard {
		if e := w.book.of(SensorSilent, name); e.Open && e.N == n && !s.Ever {
			return w.opts.Silence
		}
	}
	return 0
}
