package main

import (
	"sort"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
)

// batchState is what is believed of one running batch.
type batchState struct {
	id    string
	state alert.State
}

// states are those of all running batches, by ID.
func (k *keeper) states() []batchState {
	k.mu.Lock()
	defer k.mu.Unlock()
	list := make([]batchState, 0, len(k.state))
	for id, st := range k.state {
		list = append(list, batchState{id, st})
	}
	sort.Slice(list, func(i, j int) bool { return list[i].id < list[j].id })
	return list
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

// stateOf is what is believed of a running batch; live once its watch has
// caught up with the present.
func (k *keeper) stateOf(batch string) (st alert.State, live, running bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	st, running = k.state[batch]
	return st, k.live[batch], running
}

// faulty is why a watch could not go on in the last round, or nil.
func (k *keeper) faulty() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.fault
}
