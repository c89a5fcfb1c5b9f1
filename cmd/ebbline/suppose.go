package main

import (
	"context"
	"fmt"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// question asks the loop of the watches, which alone may touch them, something of
// a batch. What takes thought is done on a copy, elsewhere.
type question struct {
	batch string
	ask   func(*kept) // its watch knows what has come in; not called if it is not running
	done  chan struct{}
}

// answer is called between two rounds.
func (k *keeper) answer(ctx context.Context, q question) {
	defer close(q.done)
	k.mu.Lock()
	r := k.kept[q.batch]
	k.mu.Unlock()
	if r == nil {
		return
	}
	if err := k.step(ctx, q.batch, r); err != nil {
		k.recover(ctx, q.batch, err)
		return
	}
	q.ask(r)
	k.makeRoom()
}

// asked has the loop answer a question.
func (k *keeper) asked(ctx context.Context, batch string, ask func(*kept)) error {
	q := question{batch, ask, make(chan struct{})}
	select {
	case k.questions <- q:
	case <-ctx.Done():
		return fmt.Errorf("waiting for the watches: %w", ctx.Err())
	}
	select {
	case <-q.done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("waiting for the watch of batch %s: %w", batch, ctx.Err())
	}
}

// belief is a copy of what is believed of a running batch; journal.ErrNotFound
// if it is not running.
func (k *keeper) belief(ctx context.Context, batch string) (*projection.Estimator, error) {
	copied := make(chan *projection.Estimator, 1) // who waits no longer is not written to
	err := k.asked(ctx, batch, func(r *kept) {
		if e, ok := r.watch.Belief(); ok {
			copied <- e
		}
	})
	if err != nil {
		return nil, err
	}
	select {
	case e := <-copied:
		return e, nil
	default:
		return nil, fmt.Errorf("running batch %s: %w", batch, journal.ErrNotFound)
	}
}

// Suppose answers what comes of another choice, by the belief of this moment.
func (d *daemon) Suppose(ctx context.Context, batch string, c page.Choice) (projection.Supposed, error) {
	e, err := d.keeper.belief(ctx, batch)
	if err != nil {
		return projection.Supposed{}, err
	}
	var hold *gravity.Celsius
	if c.Hold != nil {
		t := gravity.Celsius(*c.Hold)
		hold = &t
	}
	return e.Suppose(hold, c.Crash), nil
}
