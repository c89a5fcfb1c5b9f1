package main

import (
	"context"
	"fmt"

	"ebbline/alert"
	"ebbline/ingest/journal"
)

// sleep gives every batch that has no quiet hours of its own these; nil: none.
func (k *keeper) sleep(q *alert.Quiet) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.options.Quiet = q
	for _, r := range k.kept {
		if r.file.Quiet == nil {
			r.newQuiet, r.dirty, r.early = &q, true, true
		}
	}
	k.poke()
}

// settings are the options of a watch that is opened now.
func (k *keeper) settings() alert.Options {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.options
}

// takeQuiet gives the watch its new quiet hours. A snapshot is kept at once: what
// was said before it must not be said again by other hours.
func (k *keeper) takeQuiet(ctx context.Context, id string, r *kept) error {
	k.mu.Lock()
	q := r.newQuiet
	r.newQuiet = nil
	k.mu.Unlock()
	if q == nil {
		return nil
	}
	if err := r.watch.SetQuiet(*q); err != nil {
		return fmt.Errorf("changing the quiet hours: %w", err)
	}
	return k.say(ctx, id, r, nil, true)
}

// takeSensors makes the sensors that an entry named those whose readings are
// asked for.
func (k *keeper) takeSensors(r *kept) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if r.swapped != nil {
		r.sensors, r.swapped, k.users = r.swapped, nil, nil
	}
}

// untilSwap cuts inputs behind the first change of the batch's sensors: what
// comes after it was asked for by the old ones.
func untilSwap(inputs []input) []input {
	for i, in := range inputs {
		if in.entry != nil && in.entry.Kind == journal.SensorChanged {
			return inputs[:i+1]
		}
	}
	return inputs
}

// about is the description of a running batch with what is believed of it.
func (k *keeper) about(batch string) (r *kept, st alert.State) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.kept[batch], k.state[batch]
}

// uses reports whether a running batch has the sensor.
func (k *keeper) uses(sensor string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.usersOf(sensor)) > 0
}

// setChannels names the channels by which people are told from now on.
func (k *keeper) setChannels(names []string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.channels = names
}

// tellBy are the channels by which people are told now.
func (k *keeper) tellBy() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.channels
}
