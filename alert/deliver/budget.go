package deliver

import (
	"fmt"
	"slices"
	"time"
)

const (
	defaultPerHour = 20
	// urgentShare is how many times its budget a channel takes of urgent ones.
	urgentShare = 3
)

// limit is how many messages of any hour leave no room for one more.
func (r Rung) limit(severity string) int {
	n := r.PerHour
	if n <= 0 {
		n = defaultPerHour
	}
	if severity == urgent {
		n *= urgentShare
	}
	return n
}

// spared reports whether a telling needs no room: the first word of a crash that
// must start, of which a batch has few.
func spared(kind string, n int) bool { return kind == crashNow && n == 1 }

// room reports whether one more message may go out: recent are the times of
// those accepted, in any order.
func room(recent []time.Time, now time.Time, limit int) bool { return len(lately(recent, now)) < limit }

// lately keeps the times of the last hour. Those ahead of now are of a clock
// that was set back; they count for nothing.
func lately(recent []time.Time, now time.Time) []time.Time {
	return slices.DeleteFunc(slices.Clone(recent), func(t time.Time) bool {
		return t.After(now) || now.Sub(t) >= time.Hour
	})
}

// lastWords is said below the message that uses a budget up, "" otherwise: what
// is held back is never held silently.
func lastWords(recent []time.Time, now time.Time, r Rung) string {
	recent = lately(recent, now)
	plain, most := r.limit(""), r.limit(urgent)
	n := len(recent) + 1 // with the one that says it
	if n != plain && n != most {
		return ""
	}
	first := now
	for _, t := range recent {
		if t.Before(first) {
			first = t
		}
	}
	wait := minutes(time.Hour - now.Sub(first))
	if n == most {
		return fmt.Sprintf("This is message %d here within an hour: further ones wait, up to %s, but a new crash that must start is told at once. All of them are on the page.", n, wait)
	}
	return fmt.Sprintf("This is message %d here within an hour: further ones wait, up to %s, but urgent ones still come. All of them are on the page.", n, wait)
}

// minutes are whole ones, at least one.
func minutes(d time.Duration) string {
	if n := int(d.Round(time.Minute) / time.Minute); n > 1 {
		return fmt.Sprintf("%d minutes", n)
	}
	return "1 minute"
}
