package main

import (
	"context"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

// tellNewcomers has channels that the configuration did not name before, perhaps
// by another name, told of each urgent alert that is open and that nobody has
// answered: whoever sets up a phone because something is urgent must hear of it.
func (d *daemon) tellNewcomers(ctx context.Context) error {
	open, err := d.journal.Alerts(ctx, "", true)
	if err != nil {
		return err
	}
	var first []journal.Delivery
	for _, a := range open {
		if a.Severity != string(alert.Urgent) || a.Acknowledged != nil {
			continue
		}
		told, err := d.journal.Deliveries(ctx, a.ID)
		if err != nil {
			return err
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
		return nil
	}
	d.log.Info("open urgent alerts are told by channels that have not told them yet", "messages", len(first))
	return d.journal.Queue(ctx, first)
}
