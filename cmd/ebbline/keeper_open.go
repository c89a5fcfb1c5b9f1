package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
)

// openAll takes up what runs: as many watches as stay in memory, the pressing
// ones first, the others at their first turn. So a start does not wait for ten
// thousand snapshots.
func (k *keeper) openAll(ctx context.Context, running []journal.Batch) error {
	open, err := k.journal.Alerts(ctx, "", true)
	if err != nil {
		return fmt.Errorf("reading the open alerts: %w", err)
	}
	pressing := map[string]bool{}
	for _, a := range open {
		pressing[a.Batch] = pressing[a.Batch] || a.Severity == string(alert.Urgent)
	}
	order := func(b journal.Batch) int {
		if pressing[b.ID] {
			return 0
		}
		return 1
	}
	for i, b := range slices.SortedStableFunc(slices.Values(running), func(a, b journal.Batch) int { return order(a) - order(b) }) {
		r, err := k.described(b)
		if err != nil {
			return err
		}
		r.pressing = pressing[b.ID]
		if i < k.most {
			if err := k.takeUp(ctx, b.ID, r); err != nil {
				return err
			}
		}
		k.enlist(b.ID, r)
		if r.watch == nil {
			k.unknown(b.ID)
		}
	}
	return nil
}

// unknown forgets what was believed of a batch.
func (k *keeper) unknown(id string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.state, id)
}

// open takes up the watch of a batch that the journal holds, or begins it.
func (k *keeper) open(ctx context.Context, b journal.Batch) error {
	r, err := k.described(b)
	if err == nil {
		err = k.takeUp(ctx, b.ID, r)
	}
	if err == nil {
		k.enlist(b.ID, r)
	}
	return err
}

func (k *keeper) described(b journal.Batch) (*kept, error) {
	file, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return nil, fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
	}
	return &kept{file: file, watched: watched{sensors: b.Sensors}, fed: k.clock.Now(), dirty: true}, nil
}

// enlist lets a batch have its turns, in the place of what was kept of it.
func (k *keeper) enlist(id string, r *kept) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.leave(id)
	k.kept[id] = r
	if r.watch != nil {
		k.state[id] = r.watch.State()
	}
	k.poke()
}

// leave lets go of a batch; call it with mu held.
func (k *keeper) leave(id string) {
	if r := k.kept[id]; r != nil {
		r.lies.Clear(k.shelf, nil)
	}
	k.users = nil
	delete(k.kept, id)
	delete(k.faults, id)
}

// ended lets go of a batch that is over.
func (k *keeper) ended(id string) {
	k.mu.Lock()
	k.leave(id)
	delete(k.state, id)
	delete(k.live, id)
	delete(k.past, id)
	k.mu.Unlock()
	k.news(id)
}

// takeUp takes the watch up from what the journal holds.
func (k *keeper) takeUp(ctx context.Context, id string, r *kept) error {
	snapshot, seq, lastN, err := k.journal.WatchState(ctx, id)
	if err != nil {
		return fmt.Errorf("reading the watch of batch %s: %w", id, err)
	}
	o := watchOptions(r.file, k.settings())
	w, err := restored(r.file, snapshot, seq, o, r.sensors)
	if err != nil && len(snapshot) > 0 {
		// Of an older version, or damaged: the journal has all that the watch read.
		// What was said stays as it was said; the numbers go on from there, because
		// another version may say more or less of the same past.
		k.log.Warn("the stored watch cannot be taken up; its readings are run again from pitch", "batch", id, "error", err)
		if w, err = restored(r.file, nil, 0, o, nil); err == nil {
			w.said, w.again = lastN, rerun{}
			w.retold, err = k.lastSaid(ctx, id)
		}
	}
	if err != nil {
		return fmt.Errorf("starting the watch of batch %s: %w", id, err)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if !slices.Equal(r.sensors, w.sensors) {
		k.users = nil
	}
	r.watched = w
	return nil
}

// lastSaid is the time of the last event of a batch that can be read, zero if there
// is none.
func (k *keeper) lastSaid(ctx context.Context, batch string) (time.Time, error) {
	last, err := k.journal.Events(ctx, batch, nil, time.Time{}, time.Time{}, 5, true)
	if err != nil || len(last) == 0 {
		return time.Time{}, err
	}
	return last[0].Time, nil
}

// restored takes the watch from its snapshot, or begins it at pitch. An old
// snapshot does not name the sensors.
func restored(file config.BatchFile, snapshot []byte, seq int64, o alert.Options, sensors []string) (r watched, err error) {
	if len(snapshot) == 0 {
		r.sensors = file.Batch.Sensors // from pitch on; entries have changed them since
		r.saved = file.Batch.PitchedAt // there is nothing yet to keep
		r.watch, err = newWatch(file, o)
		return r, err
	}
	s, err := readSnapshot(snapshot)
	if err != nil {
		return r, err
	}
	if s.Sensors != nil {
		sensors = s.Sensors
	}
	w, err := alert.RestoreWatch(file.Batch, o, s.Watch)
	if err != nil {
		return r, err
	}
	return watched{watch: w, sensors: sensors, read: seq, said: s.Said, saved: w.Now(), offset: s.Offset}, nil
}

// recover throws away a watch whose words could not be written down, to be taken
// up again from the journal: what was not written was not said.
func (k *keeper) recover(ctx context.Context, id string, why error) {
	if errors.Is(why, journal.ErrChanged) {
		k.lose(id, why)
		return
	}
	k.log.Error("a watch could not go on; it is tried again", "batch", id, "error", why)
	b, err := k.journal.Batch(ctx, id)
	switch {
	case errors.Is(err, journal.ErrChanged):
		k.lose(id, err)
		return
	case err == nil && b.Ended != nil:
		k.ended(id)
		return
	case err == nil:
		var r *kept
		if r, err = k.described(b); err == nil {
			k.enlist(id, r)
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if r := k.kept[id]; err != nil && r != nil {
		k.log.Error("a watch could not be taken up again", "batch", id, "error", err)
		r.dirty, r.early = true, true // the next round tries again
	}
	k.faults[id] = fmt.Errorf("batch %s: %w", id, why)
}

// loseChanged loses the batches whose description was changed on the disk.
func (k *keeper) loseChanged(ctx context.Context) error {
	ids, err := k.journal.Lost(ctx)
	if err != nil {
		return err
	}
	for _, id := range ids {
		if _, err := k.journal.Batch(ctx, id); err != nil {
			k.lose(id, err)
		}
	}
	return nil
}

// lose lets go of a batch that rests on what was changed on the disk. It is tried
// again when something is entered for it: the record does not mend itself.
func (k *keeper) lose(id string, why error) {
	k.log.Error("a batch cannot be watched: what it rests on was changed on the disk", "batch", id, "error", why)
	for inner := errors.Unwrap(why); errors.Is(inner, journal.ErrChanged); inner = errors.Unwrap(why) {
		why = inner // which batch it is, is said already
	}
	k.ended(id)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.lost[id] = why
}

// retake takes lost batches up again for which something was entered: a changed entry
// may be struck out now. Each counts as lost until a turn of it has succeeded.
func (k *keeper) retake(ctx context.Context) {
	k.mu.Lock()
	ids := slices.Sorted(maps.Keys(k.mended))
	clear(k.mended)
	k.mu.Unlock()
	for _, id := range ids {
		b, err := k.journal.Batch(ctx, id)
		if err == nil && b.Ended == nil {
			err = k.open(ctx, b)
		}
		if err != nil {
			k.log.Error("a batch could not be taken up again", "batch", id, "error", err)
		}
	}
}

// lostFor reports whether a batch is lost for what the disk has changed there.
func (k *keeper) lostFor(what string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, why := range k.lost {
		if strings.Contains(why.Error(), "("+what+")") {
			return true
		}
	}
	return false
}

// lostWords say of a batch that it is not watched and what to do; "" if it is.
func (k *keeper) lostWords(id string) string {
	k.mu.Lock()
	defer k.mu.Unlock()
	if why := k.lost[id]; why != nil {
		return fmt.Sprintf("Not watched, and no alert comes: look at the beer yourself. What is wrong: %v.", why)
	}
	return ""
}

// unwatched says which batches cannot be watched and what to do; "" if none.
func (k *keeper) unwatched() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch ids := slices.Sorted(maps.Keys(k.lost)); len(ids) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("Batch %s is not watched: %v.", ids[0], k.lost[ids[0]])
	default:
		return fmt.Sprintf("%d batches are not watched: %s. Of the first: %v.", len(ids), strings.Join(ids, ", "), k.lost[ids[0]])
	}
}

// faulty is why watches could not go on at their last turn, or nil.
func (k *keeper) faulty() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.faults) == 0 {
		return nil
	}
	var all []string
	for _, err := range k.faults {
		all = append(all, err.Error())
	}
	slices.Sort(all)
	const most = 3
	if n := len(all) - most; n > 0 {
		all = append(all[:most], fmt.Sprintf("and %d more", n))
	}
	return fmt.Errorf("%s", strings.Join(all, "\n"))
}
