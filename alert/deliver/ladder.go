package deliver

import (
	"fmt"
	"slices"
	"time"

	"ebbline/ingest/journal"
)

// Rung is a channel with its place on the ladder: what it takes, and when. The
// rungs' order is that of the ladder. The zero value of all but Channel takes
// everything at once.
type Rung struct {
	Channel
	// Severities it takes; none: all.
	Severities []string
	// After is how long an alert stays unanswered before this channel is told.
	After time.Duration
	// Second makes it the stand-in for the channels before it: After counts for
	// urgent alerts only, and others come here only while those before do not get
	// through. It has no effect on what no channel before it takes.
	Second bool
	// PerHour bounds the messages that are not urgent, of any hour; 0: 20. Urgent
	// ones may come to three times as many, all counted; the first telling of a
	// crash-now goes out however many there were.
	PerHour int
}

func (r Rung) takes(severity string) bool {
	return len(r.Severities) == 0 || slices.Contains(r.Severities, severity)
}

// peer is how a channel further down the ladder has fared with an alert.
type peer struct {
	name string
	told bool // it has accepted a telling of it
	dead bool // it does not get through
}

// situation is all that a delivery's fate depends on.
type situation struct {
	alert  journal.Alert
	n      int // the how-many-th telling
	now    time.Time
	repeat Repeat
	rung   Rung
	before []peer // those before it on the ladder that take the severity
	recent []time.Time
	behind bool // what is found out late about its batch may be over already
	past   bool // somebody has been told for as long as it is told
}

// verdict is what to do with a delivery that is due: send it, hold it until a
// time, leave it waiting for another look, or drop it for a reason.
type verdict struct {
	drop string
	hold time.Time
	wait reason
}

// reason is why a delivery waits.
type reason string

const (
	onLadder reason = "it is not this channel's turn yet"
	onBudget reason = "the channel has had its messages of this hour"
	onPast   reason = "its batch is being brought up to the present"
)

const (
	// lateAfter is the age at which an alert was found out late: its words speak of
	// another hour, or of another day.
	lateAfter = 30 * time.Minute
	// holdMost bounds how long the first telling of such an alert is held back.
	holdMost = 5 * time.Minute
)

// lateFound reports whether an alert was found out late: a batch begun long after
// its pitch, a device that was offline, a daemon that was stopped.
func lateFound(a journal.Alert) bool { return a.Recorded.Sub(a.Raised) >= lateAfter }

// since says how long something has been so.
func since(d time.Duration) string {
	if d < 2*time.Hour {
		return minutes(d)
	}
	return fmt.Sprintf("%d hours", int(d.Round(time.Hour)/time.Hour))
}

// snoozeMost is how long a person can have an alert held back (page's reminder). One
// that lies further ahead was asked for before the clock was set back.
const snoozeMost = time.Hour + time.Minute

// snoozed is the alert without a snooze that nobody asked for.
func snoozed(a journal.Alert, now time.Time) journal.Alert {
	if a.SnoozedUntil != nil && a.SnoozedUntil.Sub(now) > snoozeMost {
		a.SnoozedUntil = nil
	}
	return a
}

// past reports whether an alert has been told for long enough: PastUse from when a
// channel took it first, so that what nobody has heard, as in a day without a line, is
// told when there is one again. One that repeats must have been told all along: of the
// time from one telling to the next no more than a quarter of PastUse counts, or what
// it waits between two, and never more than half. A clock that jumps a day ahead has
// not rung for a day; and however rarely a full budget lets it ring, it ends.
func (r Repeat) past(a journal.Alert, all []journal.Delivery, now time.Time) bool {
	told := tellings(all, now)
	if len(told) == 0 {
		return false
	}
	each, again := r.after(a, 2)
	if !again {
		return now.Sub(told[0]) >= r.PastUse
	}
	most := min(max(r.PastUse/4, each), r.PastUse/2)
	rung := time.Duration(0)
	for i, t := range told[1:] {
		rung += min(t.Sub(told[i]), most)
	}
	return rung+min(now.Sub(told[len(told)-1]), most) >= r.PastUse
}

// tellings are the times at which any channel has accepted one, in order. Those ahead
// of now are of a clock that was set back.
func tellings(all []journal.Delivery, now time.Time) (times []time.Time) {
	for _, d := range all {
		if d.Outcome == accepted && d.Done != nil && !d.Done.After(now) {
			times = append(times, *d.Done)
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	return times
}

// decide says what to do with a delivery now; pure.
func decide(s situation) verdict {
	a := s.alert
	switch {
	case a.Acknowledged != nil:
		return verdict{drop: "acknowledged"}
	case a.Resolved != nil:
		return verdict{drop: "resolved"}
	case s.past:
		return verdict{drop: fmt.Sprintf("past use: told first more than %s ago", since(s.repeat.PastUse))}
	case !s.rung.takes(a.Severity):
		return verdict{drop: "the channel does not take this severity"}
	case a.SnoozedUntil != nil && a.SnoozedUntil.After(s.now):
		return verdict{hold: *a.SnoozedUntil}
	case s.behind && s.now.Sub(a.Recorded) < holdMost:
		return verdict{wait: onPast}
	}
	if v := climb(s); v != (verdict{}) {
		return v
	}
	if !spared(a.Kind, s.n) && !room(s.recent, s.now, s.rung.limit(a.Severity)) {
		return verdict{wait: onBudget}
	}
	return verdict{}
}

// climb is the ladder: whether it is this rung's turn.
func climb(s situation) verdict {
	if s.rung.Second && s.alert.Severity != urgent {
		for _, p := range s.before {
			if p.told {
				return verdict{drop: "told by " + p.name}
			}
		}
	}
	standsIn := len(s.before) > 0 && !slices.ContainsFunc(s.before, func(p peer) bool { return !p.dead })
	switch {
	case standsIn, s.rung.Second && len(s.before) == 0:
		return verdict{}
	case s.rung.Second && s.alert.Severity != urgent:
		return verdict{wait: onLadder}
	case s.rung.After > 0 && s.now.Sub(unansweredSince(s.alert)) < s.rung.After:
		return verdict{wait: onLadder}
	}
	return verdict{}
}

// unansweredSince is when the alert was told of first, or since when it asks
// again: "remind me later" was an answer.
func unansweredSince(a journal.Alert) time.Time {
	if a.SnoozedUntil != nil && a.SnoozedUntil.After(a.Recorded) {
		return *a.SnoozedUntil
	}
	return a.Recorded
}

// As contract §6 has them.
const urgent, crashNow = "urgent", "crash-now"
