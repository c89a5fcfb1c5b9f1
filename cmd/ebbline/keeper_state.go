package main

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"sort"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
)

// restingTime bounds how long a stop may take to keep the watches' state.
const restingTime = 2 * time.Second

// batchState is what is believed of one running batch.
type batchState struct {
	id      string
	state   alert.State
	ceiling float64 // % ABV
}

// states are those of all running batches, by ID; of one that waits for its first
// reading without a belief.
func (k *keeper) states() []batchState {
	k.mu.Lock()
	defer k.mu.Unlock()
	list := make([]batchState, 0, len(k.state))
	for id, st := range k.state {
		if !k.live[id] && st.LastReading.IsZero() {
			st.Estimate, st.Projection = nil, nil
		}
		list = append(list, batchState{id, st, k.ceilingOf(id)})
	}
	sort.Slice(list, func(i, j int) bool { return list[i].id < list[j].id })
	return list
}

// ceilingOf is a running batch's ceiling; call it with mu held.
func (k *keeper) ceilingOf(id string) float64 {
	if r := k.kept[id]; r != nil {
		return float64(r.file.Batch.Ceiling.Limit)
	}
	return 0
}

// running are the descriptions of the batches that are watched.
func (k *keeper) running() []config.BatchFile {
	k.mu.Lock()
	defer k.mu.Unlock()
	files := make([]config.BatchFile, 0, len(k.kept))
	for _, r := range k.kept {
		files = append(files, r.file)
	}
	return files
}

// ringing are the descriptions of those of them that are called to crash.
func (k *keeper) ringing() []config.BatchFile {
	k.mu.Lock()
	defer k.mu.Unlock()
	var files []config.BatchFile
	for id, r := range k.kept {
		if slices.Contains(k.state[id].Open, alert.CrashNow) {
			files = append(files, r.file)
		}
	}
	return files
}

// stateOf is what is believed of a running batch that was taken up since the
// start; live once its watch has caught up with the present.
func (k *keeper) stateOf(batch string) (st alert.State, live, running bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	st, running = k.state[batch]
	return st, k.live[batch], running
}

// catchingUp reports whether the watch of a batch has yet to read what the journal
// holds, or stands in the past for a record that is being played. One that waits
// for its first reading does not: there is nothing to take in.
func (k *keeper) catchingUp(batch string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	live, stepped := k.live[batch]
	return k.kept[batch] != nil && (!stepped || !live && !k.state[batch].LastReading.IsZero())
}

// ahead gives the batch whose watch stands furthest ahead of the daemon's clock,
// and until when nothing falls due for it; "" if none does.
func (k *keeper) ahead() (batch string, until time.Time) {
	until = k.clock.Now().Add(time.Minute)
	for _, b := range k.states() {
		if b.state.Now.After(until) {
			batch, until = b.id, b.state.Now
		}
	}
	return batch, until
}

// rest keeps the state of every watch, so that the next start need not run
// hours again. With very many batches time runs out first; then it does.
func (k *keeper) rest(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), k.resting)
	defer cancel()
	k.mu.Lock()
	all := maps.Clone(k.kept)
	k.mu.Unlock()
	inMemoryFirst := func(a, b string) int { return cmp.Compare(all[a].away(), all[b].away()) }
	for _, id := range slices.SortedFunc(maps.Keys(all), inMemoryFirst) {
		r := all[id]
		if ctx.Err() != nil || r.unsaid || r.again != nil || !r.stands().After(r.saved) {
			continue
		}
		err := k.wake(ctx, id, r)
		if err == nil {
			err = k.say(ctx, id, r, nil, true)
		}
		if err != nil {
			k.log.Warn("the watch's state is not kept; its last hours are run again at the next start", "batch", id, "error", err)
		}
	}
}
