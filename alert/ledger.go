package alert

import (
	"cmp"
	"slices"
	"time"

	"ebbline/projection"
)

// item is one input to the belief at its own time: an observation, a sample or
// the start of the crash.
type item struct {
	time   time.Time
	ref    int64
	obs    *projection.Observation
	sample *projection.Sample // neither: the crash started
}

// before is the one order of inputs, whatever order they arrived in.
func (a item) before(b item) int {
	if c := a.time.Compare(b.time); c != 0 {
		return c
	}
	if c := cmp.Compare(a.rank(), b.rank()); c != 0 || a.obs == nil {
		return c
	}
	return cmp.Or(
		cmp.Compare(a.obs.Sensor, b.obs.Sensor),
		cmp.Compare(a.obs.Quantity, b.obs.Quantity),
		cmp.Compare(a.obs.Value, b.obs.Value),
	)
}

// rank puts observations before samples before the crash at one moment.
func (a item) rank() int {
	switch {
	case a.obs != nil:
		return 0
	case a.sample != nil:
		return 1
	}
	return 2
}

// ledger holds the inputs since the oldest checkpoint, in their order.
type ledger struct{ items []item }

// add puts an input in its place; an observation that is there already is not
// put in again.
func (l *ledger) add(in item) {
	if n := len(l.items); n == 0 || l.items[n-1].before(in) < 0 {
		l.items = append(l.items, in)
		return
	}
	i, same := slices.BinarySearchFunc(l.items, in, item.before)
	if same && in.obs != nil {
		return
	}
	l.items = slices.Insert(l.items, i, in)
}

// from is where the inputs at or after t begin.
func (l *ledger) from(t time.Time) int {
	i, _ := slices.BinarySearchFunc(l.items, t, func(in item, t time.Time) int {
		if in.time.Before(t) {
			return -1
		}
		return 1
	})
	return i
}

// has reports whether there is an input at exactly t.
func (l *ledger) has(t time.Time) bool {
	i := l.from(t)
	return i < len(l.items) && l.items[i].time.Equal(t)
}

// between are the inputs in [from, to).
func (l *ledger) between(from, to time.Time) []item {
	return l.items[l.from(from):max(l.from(from), l.from(to))]
}

const (
	// queuePace is the interval from which on readings of a sensor are taken to
	// have been made one after the other. What a broker queued comes faster.
	queuePace = 2 * time.Second
	// queueSpan is how long a sensor that is so fast may be counted once only.
	queueSpan = 5 * time.Minute
)

// overtaken reports whether a reading does not count because the same sensor's
// next one follows at once. Readings without the device's own time bear that of
// their arrival, so a day that was queued while the daemon was down would all be
// of the present, and its mean far above what the beer is: only the last of them
// tells what is. A sensor that speaks every second counts once in queueSpan; its
// errors last hours.
func overtaken(in item, next []item) bool {
	for _, n := range next {
		if n.time.Sub(in.time) >= queuePace || !n.time.Truncate(queueSpan).Equal(in.time.Truncate(queueSpan)) {
			return false
		}
		if in.obs != nil && n.obs != nil && n.obs.Sensor == in.obs.Sensor && n.obs.Quantity == in.obs.Quantity {
			return true
		}
	}
	return false
}

// strike takes out the entry ref and tells its time.
func (l *ledger) strike(ref int64) (time.Time, bool) {
	for i, in := range l.items {
		if in.ref == ref && in.obs == nil {
			l.items = slices.Delete(l.items, i, i+1)
			return in.time, true
		}
	}
	return time.Time{}, false
}

// forget drops the inputs before t.
func (l *ledger) forget(t time.Time) {
	if i := l.from(t); i > 0 {
		l.items = append([]item(nil), l.items[i:]...)
	}
}
