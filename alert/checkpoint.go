package alert

import (
	"slices"
	"time"
)

const (
	// An anchor is renewed at this age, so that an input may be late by one to
	// two times as much and still be folded in.
	anchorAge = 7 * 24 * time.Hour
	// maxLedger bounds the inputs that are kept for folding in late ones. With
	// more, anchors are renewed sooner.
	maxLedger = 20000
)

// past are copies of the course at earlier moments, from which it is run again
// when something late arrives. Where they lie changes what that costs, never
// what comes of it. A copy of an estimator takes some hundred kilobytes, hence
// few of them, and none of the one at the pitch: it can be begun anew.
type past struct {
	// anchors are one or two, the first at the pitch or at most two anchorAge
	// back: nothing from before it can be folded in. They are part of a
	// snapshot. The one at the pitch has no belief.
	anchors []course
	// recent are the last hour's, one of the last 6 h, and daily for 2 days,
	// oldest first: half a megabyte each, and four batches are to fit into 40 MB.
	recent []course
}

// keep adds copies where they are due and drops what is no longer needed.
func (p *past) keep(c course, l *ledger, pitch time.Time) {
	last := p.anchors[len(p.anchors)-1]
	if c.at.Sub(last.at) >= anchorAge || l.from(c.at)-l.from(last.at) >= maxLedger/2 {
		p.anchors = append(p.anchors, c.aside())
		if len(p.anchors) > 2 {
			p.anchors = slices.Delete(p.anchors, 0, 1)
			l.forget(p.anchors[0].at)
		}
	}
	if n := len(p.recent); n > 0 && c.at.Sub(p.recent[n-1].at) < time.Hour || c.at.Sub(p.anchors[len(p.anchors)-1].at) < time.Hour {
		return
	}
	p.recent = slices.DeleteFunc(p.recent, func(old course) bool {
		return !worthKeeping(old.at.Sub(pitch), c.at.Sub(old.at))
	})
	p.recent = append(p.recent, c.aside())
}

// worthKeeping says whether a copy made since after pitch and of this age stays.
func worthKeeping(since, age time.Duration) bool {
	hour := since / time.Hour
	switch {
	case age <= time.Hour:
		return true
	case age <= 6*time.Hour:
		return hour%6 == 0
	case age <= 48*time.Hour:
		return hour%24 == 0
	}
	return false
}

// rewind is the last copy that has not yet gone past an input at t. Later
// copies are dropped: they did not know of it.
func (p *past) rewind(t time.Time) course {
	later := func(c course) bool { return c.at.After(t) }
	p.recent = slices.DeleteFunc(p.recent, later)
	if n := len(p.anchors); n > 1 && later(p.anchors[n-1]) {
		p.anchors = p.anchors[:n-1]
	}
	best := p.anchors[len(p.anchors)-1]
	if n := len(p.recent); n > 0 && p.recent[n-1].at.After(best.at) {
		best = p.recent[n-1]
	}
	return best
}

// reach is the earliest moment from which the course can be run again.
func (p *past) reach() time.Time { return p.anchors[0].at }
