package alert

import (
	"fmt"
	"slices"
	"time"
)

// The subjects of a crash-soon besides its leads: it takes a stays-below back;
// the crash has moved since it was told; it is likely to fall into the night.
const (
	turned = "turned"
	moved  = "moved"
	atBed  = "evening"
)

const (
	// maxMoved bounds how often a batch is told that its crash has moved.
	maxMoved = 2
	// unseen is how long after pitch nothing is said of a crash that lies ahead:
	// what is believed then is the prior's.
	unseen = 2 * time.Hour
	// movedFor is how long the new time must hold before it is told.
	movedFor = 45 * time.Minute
	// Before quiet hours begin, by this long, the night's crash is spoken of.
	eveningLead = 2 * time.Hour
	// maxEvenings bounds how many evenings of a batch are spoken of.
	maxEvenings = 3
)

// crashStage reports whether the time for warnings is over: the crash is due,
// has started, or comes too late.
func (v *view) crashStage() bool {
	return v.book.open(CrashNow) || v.book.open(OverCeiling) || v.trail.Crash != nil ||
		v.projection.CrashDue(v.next, v.batch.ResponseTime) || v.projection.OverNow >= overAt
}

// soon is a crash-soon with what all of them have in common.
func (v *view) soon(subject string, say func() (string, string)) finding {
	f := finding{
		kind: CrashSoon, subject: subject, severity: Warning, say: say,
		clears: v.projection.CrashBy == nil, calm: calmly, past: v.crashStage(), why: "the next stage has come",
	}
	if by := v.projection.CrashBy; by != nil {
		f.by, f.sd, f.anew = *by, v.projection.CrashBySD, !f.past
		f.cause = fmt.Sprintf("the crash is due by %s, spread %s", by.UTC().Format(time.RFC3339), f.sd.Round(time.Minute))
	}
	return f
}

// crashSoon: the crash comes within a lead. Each lead is told once, and once
// again if the crash has moved away meanwhile and that is news.
func crashSoon(v *view) []finding {
	p, stage := &v.projection, v.crashStage()
	needed := p.CrashBy != nil
	var left time.Duration
	if needed {
		left = p.CrashBy.Sub(v.now)
	}
	var found []finding
	below, tonight, last := v.book.of(StaysBelow, ""), v.book.of(CrashSoon, atBed).Open, v.book.newest(CrashSoon)
	if below.Told || v.book.of(CrashSoon, turned).Told {
		f := v.soon(turned, v.sayTurned)
		f.holds = needed && !stage && below.Told && v.mayPass()
		found = append(found, f)
	}
	nearer := tonight || v.eveningComes() || slices.ContainsFunc(evening(v), func(f finding) bool { return f.holds })
	for i := len(v.opts.HeadsUp) - 1; i >= 0; i-- {
		lead := v.opts.HeadsUp[i]
		was := v.book.of(CrashSoon, lead.String())
		within := needed && !stage && !below.Told && left <= lead && v.now.Sub(v.batch.PitchedAt) >= unseen
		f := v.soon(lead.String(), v.saySoon)
		f.holds = within && !nearer && (was.Times == 0 || was.Times == 1 && v.isNews(was))
		f.past = stage || nearer || was.Open && was.N < last.N
		f.clears = !needed || left > 2*lead
		switch {
		case !f.past:
			f.why = "there is more time than was believed"
		case !stage && !nearer:
			f.why = "its time was told anew"
		}
		found = append(found, f)
		nearer = nearer || within || was.Told
	}
	return append(found, v.hasMoved()...)
}

// isNews reports whether the crash's time is another than was told: off by more
// than its spread, or known twice as well.
func (v *view) isNews(told entry) bool {
	p := &v.projection
	return p.CrashBy.Sub(told.By).Abs() > max(told.SD, time.Hour) || p.CrashBySD < told.SD/2
}

// hasMoved: what was told last of the crash's time is off by more than its spread.
func (v *view) hasMoved() []finding {
	var found []finding
	last := v.book.newest(CrashSoon)
	by := v.projection.CrashBy
	for i := range maxMoved {
		subject := fmt.Sprintf("%s/%d", moved, i+1)
		e := v.book.of(CrashSoon, subject)
		f := v.soon(subject, func() (string, string) { return v.sayMoved(last.By) })
		if f.after = movedFor; e.Open { // said again, it is the time of before that moved
			f.say = v.saySoon
		}
		if e.Open && e.N < last.N && !f.past {
			f.past, f.why = true, "its time was told anew"
		}
		f.holds = by != nil && last.Open && !last.By.IsZero() && e.Times == 0 && !v.crashStage() && by.Sub(last.By).Abs() > max(last.SD, time.Hour)
		found = append(found, f)
		if e.Times == 0 {
			break
		}
	}
	return found
}

// eveningComes reports whether the evening's plan is about to be told: then it is
// the one heads-up, and no lead goes before it.
func (v *view) eveningComes() bool {
	if v.opts.Quiet == nil {
		return false
	}
	n := v.opts.Quiet.around(v.now, v.opts.Location)
	rings, needed := v.crashAt()
	told := v.book.of(CrashSoon, atBed)
	wait := n.from.Add(-eveningLead).Sub(v.now)
	return needed && n.has(rings) && wait > 0 && wait <= eveningLead && told.Times < maxEvenings && !v.book.of(StaysBelow, "").Told
}

// evening: before quiet hours, the crash-now is to be expected in them. That it
// may still move, most often later, is no reason to be silent: told, it costs a
// message; untold, it wakes a brewer who had no choice.
func evening(v *view) []finding {
	if v.opts.Quiet == nil {
		return nil
	}
	n := v.opts.Quiet.around(v.now, v.opts.Location)
	rings, _ := v.crashAt()
	e := v.book.of(CrashSoon, atBed)
	f := v.soon(atBed, func() (string, string) { return v.sayEvening(n) })
	f.anew = f.anew && n.has(rings) && v.now.Before(n.from) && !v.now.Before(n.from.Add(-eveningLead))
	f.holds = f.anew && !v.book.of(StaysBelow, "").Told && e.Times < maxEvenings
	if f.clears = n.from.Sub(v.now) > eveningLead; f.clears { // it is day again
		f.calm, f.why = 0, "the night is over"
	}
	f.cause += fmt.Sprintf("; quiet hours are from %s to %s", v.opts.Quiet.From, v.opts.Quiet.To)
	return []finding{f}
}
