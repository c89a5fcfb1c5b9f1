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
