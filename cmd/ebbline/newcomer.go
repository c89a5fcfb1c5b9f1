package main

import (
	"context"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

// tellNewcomers has channels that the configuration did not name before, perhaps
// by another name, told of each urgent alert that is open and that nobody has
// answered: whoever sets up a phone because something is urgent must hear of it.
// Alerts of batches whose watch has not come to the present may be over; they are
// left out, and reported.
func (d *daemon) tellNewcomers(ctx context.Context) (left bool, err error) {
	open, err := d.journal.Alerts(ctx, "", true)
	if err != nil {
		return false, err
	}
	var first []journal.Delivery
	for _, a := range open {
		if a.Severity != string(alert.Urgent) || a.Acknowledged != nil {
			continue
		}
		if d.keeper.behind(a.Batch) {
			left = true
			continue
		}
		told, err := d.journal.Deliveries(ctx, a.ID)
		if err != nil {
			return left, err
		}
		for _, c := range d.keeper.tellBy() {
			n, hears := 0, false
			for _, t := range told {
				if t.Channel == c {
					n, hears = max(n, t.N), t.Error != deliver.Unconfigured
				}
			}
			if !hears {
				first = append(first, journal.Delivery{Alert: a.ID, Channel: c, N: n + 1, Due: d.clock.Now()})
			}
		}
	}
	if len(first) == 0 {
		return left, nil
	}
	d.log.Info("open urgent alerts are told by channels that have not told them yet", "messages", len(first))
	if err := d.journal.Queue(ctx, first); err != nil {
		return left, err
	}
	d.ladder.Load().Wake()
	return left, nil
}

// greetNewcomers does so at the start and after each reload, until no alert is left. It
// looks between two rounds of the watches: one that is about to write down what it
// says has asked already whom to tell, and would be overlooked.
func (d *daemon) greetNewcomers(ctx context.Context) {
	again := time.After(time.Second)
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.newcomers:
		case <-again:
		}
		again = nil
		var left bool
		var err error
		if !d.keeper.betweenRounds(ctx, func() { left, err = d.tellNewcomers(ctx) }) {
			return
		}
		if err != nil && ctx.Err() == nil {
			d.log.Error("open alerts could not be handed to new channels; it is tried again", "error", err)
		}
		if left || err != nil {
			again = time.After(time.Second)
		}
	}
}

// betweenRounds has something done when no watch has a turn; false: ctx ended first.
func (k *keeper) betweenRounds(ctx context.Context, do func()) bool {
	over := make(chan struct{})
	select {
	case k.between <- func() { defer close(over); do() }:
		<-over
		return true
	case <-ctx.Done():
		return false
	}
}
