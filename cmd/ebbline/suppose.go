package main

import (
	"context"
	"fmt"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// question asks the loop of the watches, which alone may touch them, for a copy
// of a batch's belief. The thinking is done on the copy, elsewhere.
type question struct {
	batch  string
	answer chan *projection.Estimator // has room for one; nil: there is none
}

// answer is called between two rounds.
func (k *keeper) answer(ctx context.Context, q question) {
	k.mu.Lock()
	r := k.kept[q.batch]
	k.mu.Unlock()
	var e *projection.Estimator
	if r != nil && r.watch == nil { // it knows what has come in since, as others do
		if err := k.step(ctx, q.batch, r); err != nil {
			k.recover(ctx, q.batch, err)
		}
	}
	if r != nil && r.watch != nil {
		e, _ = r.watch.Belief()
	}
	q.answer <- e
	k.makeRoom()
}

// belief is a copy of what is believed of a running batch; journal.ErrNotFound
// if it is not running.
func (k *keeper) belief(ctx context.Context, batch string) (*projection.Estimator, error) {
	q := question{batch, make(chan *projection.Estimator, 1)}
	select {
	case k.questions <- q:
	case <-ctx.Done():
		return nil, fmt.Errorf("waiting for the watches: %w", ctx.Err())
	}
	select {
	case e := <-q.answer:
		if e == nil {
			return nil, fmt.Errorf("running batch %s: %w", batch, journal.ErrNotFound)
		}
		return e, nil
	case <-ctx.Done():
		return nil, fmt.Errorf("waiting for the belief of batch %s: %w", batch, ctx.Err())
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
