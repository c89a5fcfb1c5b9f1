package main

import (
	"cmp"
	"context"
	"slices"
	"time"

	"ebbline/alert"
	"ebbline/ingest"
)

const (
	// roundTime is how long turns are given by one list: then it is asked anew what
	// is pressing, and who puts a question is answered.
	roundTime = 200 * time.Millisecond
	// soonEnough is how near a crash must be for its batch to go before others.
	soonEnough = 3 * time.Hour
)

// arrived marks the batches of these sensors as having something to read. A
// reading counts at the next look, and what a watch says does not depend on when
// it is given what it reads. So a watch that is not in memory is not taken up for
// it, unless it ends a silence, or moves the clock of a record being played.
func (k *keeper) arrived(readings []ingest.Reading) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, g := range readings {
		for _, id := range k.usersOf(g.Sensor) {
			r := k.kept[id]
			if r.dirty && r.early {
				continue
			}
			r.dirty = true
			if r.watch != nil || g.Arrived.Sub(g.Time) > historic || k.state[id].Silent {
				r.early = true
				k.poke()
			}
		}
	}
}

// usersOf are the batches that read a sensor; call it with mu held.
func (k *keeper) usersOf(sensor string) []string {
	if k.users == nil {
		k.users = map[string][]string{}
		for id, r := range k.kept {
			for _, s := range r.sensors {
				k.users[s] = append(k.users[s], id)
			}
		}
	}
	return k.users[sensor]
}

// entered marks a batch for which a person entered something.
func (k *keeper) entered(batch string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if r := k.kept[batch]; r != nil {
		r.dirty, r.early, r.person = true, true, true
	}
	if k.lost[batch] != nil {
		k.mended[batch] = true
	}
	k.poke()
}

func (k *keeper) poke() {
	select {
	case k.called <- struct{}{}:
	default:
	}
}

// run steps every watch that has something to read or a timer that is due,
// until ctx ends. beat is called each round: the daemon is making progress.
func (k *keeper) run(ctx context.Context, every time.Duration, beat func()) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		k.round(ctx)
		beat()
		select {
		case <-ctx.Done():
			return
		case q := <-k.questions:
			k.answer(ctx, q)
		case do := <-k.between:
			do()
		case <-k.called:
		case <-tick.C:
		}
	}
}

// round gives watches their turns, the pressing ones first, for a while.
func (k *keeper) round(ctx context.Context) {
	begun := time.Now()
	k.retake(ctx)
	for _, t := range k.turns() {
		if ctx.Err() != nil {
			return
		}
		k.give(ctx, t.id, t.r)
		if time.Since(begun) > roundTime {
			k.poke() // there may be more
			return
		}
	}
}

// give gives one batch its turn.
func (k *keeper) give(ctx context.Context, id string, r *kept) {
	switch err := k.step(ctx, id, r); {
	case err == nil:
		k.mu.Lock()
		delete(k.faults, id)
		delete(k.lost, id)
		k.mu.Unlock()
		k.makeRoom()
	case ctx.Err() == nil:
		k.recover(ctx, id, err)
	}
}

// turn is a batch with something to do.
type turn struct {
	id   string
	r    *kept
	rank int
	ring time.Time // when it may ring, if that is soon
	due  time.Time
}

// turns lists the watches with something to do, in their order: however many
// are due at once, who rings soon does not wait for the others.
func (k *keeper) turns() []turn {
	now := k.clock.Now()
	k.mu.Lock()
	defer k.mu.Unlock()
	var all []turn
	for id, r := range k.kept {
		due := r.next()
		if r.early || r.dirty && r.watch != nil || !due.After(r.present(now)) {
			st := k.state[id]
			t := turn{id: id, r: r, due: due}
			t.rank, t.ring = r.rank(&st, now)
			all = append(all, t)
		}
	}
	slices.SortFunc(all, func(a, b turn) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), a.ring.Compare(b.ring), a.due.Compare(b.due), cmp.Compare(a.id, b.id))
	})
	return all
}

// rank is 0 for a batch for which somebody waits; 1 for one that may ring soon,
// with that moment; 2 for one that cools or has rung; 3 for any other.
func (r *kept) rank(st *alert.State, now time.Time) (rank int, ring time.Time) {
	switch {
	case r.person:
		return 0, ring
	case r.pressing:
		return 2, ring
	case st.Now.IsZero():
		return 3, ring
	case st.Projection.CrashBy != nil && st.CrashStarted == nil && !slices.Contains(st.Open, alert.CrashNow):
		if ring := st.Projection.CrashBy.Add(-r.file.Batch.ResponseTime); ring.Sub(now) < soonEnough {
			return 1, ring
		}
	}
	if st.CrashStarted != nil && st.Cold == nil || slices.ContainsFunc(st.Open, pressingKind) {
		return 2, ring
	}
	return 3, ring
}

func pressingKind(kind alert.Kind) bool {
	switch kind {
	case alert.CrashNow, alert.OverCeiling, alert.NotCooling, alert.StillFermenting:
		return true
	}
	return false
}

// present is the moment to which the clock of the watch may go by itself: the
// daemon's, but not while readings from the past are coming in.
func (r *kept) present(now time.Time) time.Time {
	if r.waits(now) {
		return r.stands()
	}
	return now.Add(-settle)
}

// waits reports whether the watch's clock stands in the past because readings
// from there are coming in, or may be about to.
func (r *kept) waits(now time.Time) bool {
	pause := idle
	if !r.hasFed {
		pause = firstIdle
	}
	if r.hasFed && now.Sub(r.closing) > firstIdle {
		return false // no record being played: a device whose clock is slow
	}
	return now.Sub(r.stands()) > historic && now.Sub(r.fed) < pause
}

// fedAt notes that inputs were read that arrived then, and whether the watch's clock came nearer to
// the daemon's by them.
func (r *kept) fedAt(now, arrived time.Time) {
	r.streamed = r.streamed || now.Sub(arrived) < idle
	behind := now.Sub(r.watch.Now())
	if !r.hasFed || behind < r.behind-time.Minute {
		r.behind, r.closing = behind, now
	}
	r.fed, r.hasFed = now, true
}
