package alert

import (
	"fmt"
	"time"
)

const (
	// uncrashed is the subject of beer that gets cold when its crash has been spoken
	// of: most likely it was started and not entered.
	uncrashed = "uncrashed"
	// inside is how far inside its range a beer is back in it, °C.
	inside = 0.5
	// farBelow is how much colder than its range a beer that has been too cold for
	// long is only when it is crashed, °C.
	farBelow = 3
)

// temperature: the beer is outside its range before the crash. One that gets cold
// once the crash has been spoken of is told as that: who has started it and not
// entered it must not be told to warm the beer.
func temperature(v *view) []finding {
	r, t := v.opts.Range, v.trail.Temp
	if r == nil || t == nil {
		return nil
	}
	watched := v.trail.Crash == nil && v.now.Sub(v.trail.TempAt) < v.opts.Silence
	off := finding{
		kind: Temperature, severity: Warning, say: v.sayTemperature, after: calmly, calm: calmly,
		holds:  watched && (*t < r.Low || *t > r.High),
		clears: v.trail.Crash != nil || *t >= r.Low+inside && *t <= r.High-inside,
		why:    "the beer is back in its range",
		cause:  fmt.Sprintf("%.1f °C, range %.1f to %.1f °C", float64(*t), float64(r.Low), float64(r.High)),
	}
	cold := off
	cold.subject, cold.clears = uncrashed, v.trail.Crash != nil || *t >= r.Low+inside
	cold.holds = watched && v.coldUnentered() && (!v.book.of(Temperature, "").Told || *t < r.Low-farBelow)
	cold.cause += ", no crash entered"
	switch {
	case v.trail.Crash != nil:
		off.calm, off.why, cold.calm, cold.why = 0, "the crash was started", 0, "the crash was started"
	case v.coldUnentered():
		off.anew, off.holds, off.past, off.why = off.holds, false, true, "it may be cold for the crash"
	}
	return []finding{off, cold}
}

// coldUnentered reports whether the beer is below its range and may have been cooled
// on purpose: the crash, or that none is needed, has been spoken of, and none is
// entered. Once spoken of is enough, for beer that cools moves its crash away.
func (v *view) coldUnentered() bool {
	c := v.book.Counts
	spoken := v.crashStage() || c[CrashNow]+c[CrashSoon]+c[OverCeiling]+c[StaysBelow] > 0
	return spoken && v.trail.Crash == nil && *v.trail.Temp < v.opts.Range.Low
}

func (v *view) sayTemperature() (string, string) {
	w, r, t := v.words(), v.opts.Range, *v.trail.Temp
	title, side := "Too warm", "above"
	do := "Cool it back slowly if it is to stay in its range; until then it ferments faster than planned, and the projection follows."
	switch {
	case v.coldUnentered():
		title, side, do = "Cold, but no crash is entered", "below", v.unentered()
	case t < r.Low:
		title, side = "Too cold", "below"
		do = "Warm it back slowly if it is to stay in its range, or enter the crash if you have started it; until then it ferments slower than planned, and the projection follows."
	case v.crashStage():
		do = "Until it is cooled it ferments faster than planned, and the projection follows."
	}
	return v.title(title), prose(
		fmt.Sprintf("The beer is at %s, %s its range of %s to %s.", w.temp(t), side, w.temp(r.Low), w.temp(r.High)), do, v.ahead())
}

// unentered says what to do about beer that may have been crashed.
func (v *view) unentered() string {
	enter := "No crash is entered. If you have started it, enter it with its time: until then it counts as not started. "
	if v.crashStage() {
		return enter + "If you have not, do so now."
	}
	return enter + "If you have not, look at the thermostat and whether the thermometer is in the beer; so cold it ferments slower than planned, and the projection follows."
}

// ahead says when the crash is likely, if it lies ahead and nobody is told to start it.
func (v *view) ahead() string {
	p := &v.projection
	if p.CrashBy == nil || v.crashStage() || p.CrashBy.Truncate(5*time.Minute).Before(v.now) {
		return ""
	}
	return fmt.Sprintf("As it looks now the crash is likely %s.", v.words().likely(*p.CrashBy, p.CrashBySD))
}
