package deliver

import (
	"fmt"
	"time"

	"ebbline/ingest/journal"
)

// Repeat says how an unanswered alert is told again. The zero value of a field
// gives its default.
type Repeat struct {
	First  time.Duration // of crash-now, after the first telling; 5 min
	Then   time.Duration // of crash-now, after each further one; 15 min
	Urgent time.Duration // of other urgent alerts; 1 h
	// PastUse ends every telling this long after a channel took the first, long
	// silences of one that repeats not counted (see past); 24 h.
	PastUse time.Duration
}

func (r Repeat) filled() Repeat {
	set := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	set(&r.First, 5*time.Minute)
	set(&r.Then, 15*time.Minute)
	set(&r.Urgent, time.Hour)
	set(&r.PastUse, 24*time.Hour)
	return r
}

// after is when an alert told for the nth time is told again; false: never.
func (r Repeat) after(a journal.Alert, n int) (time.Duration, bool) {
	switch {
	case a.Kind == crashNow && n == 1:
		return r.First, true
	case a.Kind == crashNow:
		return r.Then, true
	case a.Severity == "urgent":
		return r.Urgent, true
	}
	return 0, false
}

// Plan is the first telling of an alert on every channel, to be queued in the
// transaction that records the alert. When its turn comes on the ladder is
// decided when it is looked at.
func Plan(a journal.Alert, channels []string, now time.Time) []journal.Delivery {
	var first []journal.Delivery
	for _, c := range channels {
		first = append(first, journal.Delivery{Alert: a.ID, Channel: c, N: 1, Due: now})
	}
	return first
}

const (
	// quickFirst and quickMost are the bounds of the waits between attempts: a wait
	// and a hanging attempt stay below a minute, so that a channel that is back is used within one.
	quickFirst, quickMost = time.Second, 30 * time.Second
	// patience is how many attempts, most of an hour, are made that quickly at
	// what only a person can mend; slow is the wait from then on.
	patience, slow = 100, 10 * time.Minute
	// retryAfterMost bounds what another side may ask for, urgentAfterMost for what
	// is urgent: a server that asks for an hour must not cost the moment to crash.
	retryAfterMost, urgentAfterMost = time.Hour, 5 * time.Minute
)

// wait is how long until the next attempt after some failed ones; jitter is in
// [0, 1) and spreads it by a quarter either way.
func wait(e *Error, severity string, failed int, jitter float64) time.Duration {
	d := quickFirst
	for range min(failed-1, 20) {
		d = min(2*d, quickMost)
	}
	if e.Fault != Temporary && failed > patience {
		d = slow
	}
	d = time.Duration(float64(d) * (0.75 + jitter/2))
	most := retryAfterMost
	if severity == urgent {
		most = urgentAfterMost
	}
	return max(d, min(e.RetryAfter, most))
}

// key names one telling of an alert.
func key(alert string, n int) string { return fmt.Sprintf("%s#%d", alert, n) }
