package alert

import (
	"fmt"
	"time"
)

// Quiet are the hours in which only what is urgent, or gets worse by the morning,
// is told. They go over midnight if To is not after From.
type Quiet struct{ From, To Clock }

// Clock is a time of day, in minutes after midnight: 0 to 1439.
type Clock int

// String is the clock as people write it: "22:30".
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// check refuses hours that are none.
func (q *Quiet) check() error {
	const day = 24 * 60
	if q.From < 0 || q.From >= day || q.To < 0 || q.To >= day || q.From == q.To {
		return fmt.Errorf("quiet hours %v to %v: give two different times of day", q.From, q.To)
	}
	return nil
}

// night is one stretch of quiet hours.
type night struct{ from, to time.Time }

func (n night) has(t time.Time) bool { return !t.Before(n.from) && t.Before(n.to) }

// around is the night that t falls in, or the next one to come. A night in which
// the clocks change is an hour longer or shorter than the others.
func (q *Quiet) around(t time.Time, loc *time.Location) night {
	y, m, d := t.In(loc).Date()
	on := func(day int, c Clock) time.Time { return time.Date(y, m, day, int(c)/60, int(c)%60, 0, 0, loc) }
	for day := d - 1; ; day++ {
		n := night{from: on(day, q.From), to: on(day, q.To)}
		if q.To < q.From {
			n.to = on(day+1, q.To)
		}
		if t.Before(n.to) {
			return n
		}
	}
}

// Awake is t, or when the quiet hours end in which it lies.
func (s State) Awake(t time.Time) time.Time {
	if s.Quiet == nil {
		return t
	}
	if n := s.Quiet.around(t, s.Location); n.has(t) {
		return n.to
	}
	return t
}
