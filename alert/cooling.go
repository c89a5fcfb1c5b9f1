package alert

import (
	"fmt"
	"time"

	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// The cooling of a crash: what is measured of it, whether it fails, and what is to be
// said when nobody knows.

// expectedCooling is the beer's temperature by Newton's law since the crash
// started, °C; false if it is not known what it started from.
func (v *view) expectedCooling(at time.Time) (gravity.Celsius, bool) {
	if v.trail.Crash == nil || v.trail.CrashTemp == nil || v.batch.Crash.TimeConstant <= 0 {
		return 0, false
	}
	c := ferment.Cooling{Start: *v.trail.CrashTemp, To: v.batch.Crash.To, TimeConstant: v.batch.Crash.TimeConstant}
	return c.Temperature(at.Sub(*v.trail.Crash)), true
}

// notCooling: a thermometer shows less than half of the fall that was to be
// expected, or that the beer stands still far above its goal, for half an hour.
func notCooling(v *view) []finding {
	f := finding{
		kind: NotCooling, severity: Urgent, say: v.sayNotCooling, after: 2 * lookEvery, calm: 2 * lookEvery,
		why: "the beer is getting cold",
	}
	if v.trail.Temp == nil || v.trail.Crash == nil || !v.trail.TempAt.After(*v.trail.Crash) {
		f.clears = v.trail.Crash == nil
		return []finding{f}
	}
	want, known := v.expectedCooling(v.trail.TempAt)
	if !known {
		return nil
	}
	fall, wanted := *v.trail.CrashTemp-*v.trail.Temp, *v.trail.CrashTemp-want
	near := *v.trail.Temp <= v.batch.Crash.To+ColdMargin
	recent := v.now.Sub(v.trail.TempAt) < v.opts.Silence
	f.cause = fmt.Sprintf("fallen by %.1f °C where %.1f °C were to be expected", float64(fall), float64(wanted))
	stood, moving := v.standstill()
	if stood > 0 && fall >= 0.5*wanted {
		f.cause = fmt.Sprintf("stood still at %.1f °C for %s", float64(*v.trail.Temp), span(stood))
	}
	f.holds = recent && !near && v.trail.ColdAt == nil && (wanted >= 2.5 && fall < 0.5*wanted || stood > 0)
	f.anew = !recent && !near && v.trail.ColdAt == nil // as it was last measured
	f.clears = near || fall > 0.65*wanted && moving
	return []finding{f}
}

// momentary is how old a temperature may be that is said to be that of now.
const momentary = time.Hour

// measured leaves only what was measured in the estimate's temperature: the belief
// goes on by what the beer should have become, which nobody has seen. In a short
// silence it is the last one measured, then none.
func (v *view) measured() {
	v.likely = v.estimate.Temperature
	if v.trail.Temp == nil {
		return
	}
	switch age := v.now.Sub(v.trail.TempAt); {
	case age >= v.opts.Silence:
		v.estimate.Temperature = nil
	case age > momentary:
		v.estimate.Temperature = new(*v.trail.Temp)
	}
}

// warmth says how warm the beer was measured, and when if that is not now: to be put
// behind a clause. Empty if it never was.
func (s *State) warmth(w words) string {
	age := w.now.Sub(s.TempAt)
	switch {
	case s.Temp != nil && age > momentary:
		return fmt.Sprintf(", last measured at %s %s ago", w.temp(*s.Temp), span(age))
	case s.Estimate.Temperature != nil:
		return ", now at " + w.temp(*s.Estimate.Temperature)
	}
	return ""
}

// unwatched is the subject of a crash that no thermometer watches any more; no
// sensor has a name like it.
const unwatched = "the cooling"

// warmth is when the last temperature arrived, of a batch without any the last
// reading, and for how long none may come; each silence told before doubles that.
func (h hearing) warmth(least time.Duration, told int) (last time.Time, patience time.Duration) {
	thermometers := false
	for _, s := range h {
		thermometers = thermometers || !s.Warmth.IsZero()
	}
	for _, s := range h {
		at := s.Warmth
		if !thermometers {
			at = s.last()
		}
		if at.IsZero() {
			continue
		}
		patience = max(patience, s.patience(least, told))
		if at.After(last) {
			last = at
		}
	}
	return last, max(patience, least)
}

// coolsUnwatched: a crash was started, the beer was not seen cold, and nothing tells
// its temperature any more. Cooler and sensor often share a socket: it is as pressing
// as beer that is seen not to cool.
func (v *view) coolsUnwatched() finding {
	f := finding{
		kind: SensorSilent, subject: unwatched, severity: Urgent, say: v.sayUnwatched, why: heardAgain,
		clears: v.trail.Crash == nil || v.trail.ColdAt != nil,
	}
	if f.clears {
		f.why = "nothing is being cooled"
		return f
	}
	last, patience := v.heard.warmth(v.opts.Silence, v.book.of(SensorSilent, unwatched).Times)
	f.clears = v.now.Sub(last) < v.opts.Silence
	if last.Before(*v.trail.Crash) { // who has just entered it stands beside it
		last = *v.trail.Crash
	}
	f.holds, f.anew = v.now.Sub(last) >= patience, !f.clears
	f.cause = "nothing tells of the cooling for " + span(v.now.Sub(last))
	return f
}

func (v *view) sayUnwatched() (string, string) {
	w, st := v.words(), v.state()
	since := "No sensor of this batch has been heard."
	if last, ever := v.heard.latest(); ever {
		since = "There has been no reading since " + w.at(last) + "."
		if !v.silent() {
			since = "No temperature comes any more."
		}
	}
	return v.title("Whether it cools is not known"), prose(
		unwatchedSentence(w, &st), since, "Cooler and sensor may have lost the same power: check socket, fuse and door, then the sensor and the network.",
		"If the beer is warm its alcohol goes on rising.", w.beer(&v.estimate))
}

// unwatchedSentence says that the cooling is not seen, and what was seen last.
func unwatchedSentence(w words, st *State) string {
	last := "No temperature of this beer was measured"
	if st.Temp != nil {
		last = fmt.Sprintf("It was last measured at %s, %s ago", w.temp(*st.Temp), span(w.now.Sub(st.TempAt)))
	}
	return fmt.Sprintf("Look at the cooling: whether the beer gets cold is not known. %s; the crash was started at %s.", last, w.at(*st.CrashStarted))
}
