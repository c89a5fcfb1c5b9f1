package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// putRightTime bounds how long taking back may take.
const putRightTime = time.Minute

// PutRight takes a person's word that the clock is right now, though batches have
// been looked at ahead of it. The daemon cannot know: a machine without a clock of
// its own starts with an old time, and then it is the record that is right.
func (d *daemon) PutRight(ctx context.Context) error {
	if batch, _ := d.keeper.ahead(); batch == "" {
		return &page.Refused{Text: "No batch has been looked at ahead of the clock: there is nothing to put right."}
	}
	a, err := d.keeper.putRight(ctx)
	if err != nil {
		return err
	}
	d.log.Warn("what was recorded ahead of the clock was taken back, and the batches are run again from pitch", "ahead_by", a.By, "readings", a.Readings, "entries", a.Entries, "events", a.Events)
	d.ladder.Load().Wake()
	return nil
}

// putRight does it between two rounds, when no watch is about to say something.
func (k *keeper) putRight(ctx context.Context) (a journal.Ahead, err error) {
	if !k.betweenRounds(ctx, func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), putRightTime)
		defer cancel()
		a, err = k.journal.PutRight(ctx, k.clock.Now())
		var running []journal.Batch
		for _, id := range k.ids() {
			b, e := k.journal.Batch(ctx, id)
			if e == nil {
				running = append(running, b)
			}
			err = errors.Join(err, e)
		}
		err = errors.Join(err, k.openAll(ctx, running))
	}) {
		return a, fmt.Errorf("waiting for the watches: %w", ctx.Err())
	}
	return a, err
}

// ids are those of the batches that are watched.
func (k *keeper) ids() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Sorted(maps.Keys(k.kept))
}

// unended are the IDs of the batches that run, watched or lost.
func (k *keeper) unended() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.AppendSeq(slices.Collect(maps.Keys(k.kept)), maps.Keys(k.lost))
}
