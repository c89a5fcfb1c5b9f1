package main

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"strings"

	"ebbline/alert"
)

// rerun keeps what a watch raises and ends while it runs again through inputs of
// which another version of it has spoken: that may have raised more or less, so
// that its numbers mean other occurrences. Told is what holds at the end.
type rerun map[alert.Kind]*repeated

// repeated is one kind: the last number of the watch, and what has not ended.
type repeated struct {
	last int
	open map[int]alert.Event
}

func (r rerun) of(kind alert.Kind) *repeated {
	if r[kind] == nil {
		r[kind] = &repeated{open: map[int]alert.Event{}}
	}
	return r[kind]
}

// hear takes an event that raises or ends something.
func (r rerun) hear(e alert.Event) {
	if a := e.Alert; a != nil {
		k := r.of(a.Kind)
		k.last, k.open[a.N] = max(k.last, a.N), e
	}
	if a := e.Resolved; a != nil {
		delete(r.of(a.Kind).open, a.N)
	}
}

// settle ends a rerun: what holds and stands open in the journal already, perhaps
// answered, is that; what holds and does not is raised under a number that is
// free; what stands open and does not hold is over. From then on the watch's
// numbers are moved by an offset for each kind.
func (k *keeper) settle(ctx context.Context, id string, r *kept, w *words) error {
	all, err := k.journal.Alerts(ctx, id, false)
	if err != nil {
		return err
	}
	last, open := map[alert.Kind]int{}, map[string]bool{}
	for _, a := range all {
		n, err := strconv.Atoi(a.ID[strings.LastIndex(a.ID, "/")+1:])
		if err != nil {
			continue // a watch's have a number alone
		}
		last[alert.Kind(a.Kind)] = max(last[alert.Kind(a.Kind)], n)
		if a.Resolved == nil {
			open[a.ID] = true
		}
	}
	seen := r.again
	r.again, r.offset = nil, maps.Clone(last)
	for kind, s := range seen {
		r.offset[kind] = last[kind] - s.last
		numbers := slices.Sorted(maps.Keys(s.open))
		for _, n := range numbers {
			if !open[r.alertID(id, kind, n)] {
				r.offset[kind] = last[kind] + 1 - numbers[0]
				break
			}
		}
		for _, n := range numbers {
			is := r.alertID(id, kind, n)
			if open[is] {
				delete(open, is)
				continue
			}
			if err := w.raise(k, id, r, s.open[n]); err != nil {
				return err
			}
		}
	}
	w.resolved = append(w.resolved, slices.Sorted(maps.Keys(open))...)
	return nil
}
