package main

import (
	"context"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
)

// lookOutward makes what goes out over MQTT: the states of the batches, and
// commands. Both run on goroutines of their own, begun by startLoops.
func (d *daemon) lookOutward() {
	publish := func(ctx context.Context, o broker.Outgoing) error { return d.source.Publish(ctx, o) }
	d.states = &stateOut{
		journal: d.journal, clock: d.clock, log: d.log, publish: publish,
		status: func() broker.Status { return d.source.Status() },
		stage: func(batch string) (alert.State, bool) {
			st, _, running := d.keeper.stateOf(batch)
			return st, running
		},
	}
	d.commands = &commander{
		journal: d.journal, clock: d.clock, log: d.log, zone: d.cfg.Location(), command: d.commandOf, publish: publish,
		states: d.keeper, enter: d.enter, raise: d.keeper.raise,
	}
	d.keeper.news = d.states.changed
	d.keeper.aside = d.commands.aside
}

// commandOf is what the configuration says is to be sent at the batch's crash-now.
func (d *daemon) commandOf(b journal.Batch) (*config.Command, config.BatchFile, error) {
	file, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return nil, file, err
	}
	of := file.Batch
	of.Sensors = b.Sensors // those it has now
	return d.cfg.Command(of), file, nil
}

// commanded reports whether a topic is one to which we send commands: what comes
// from there is no reading.
func (d *daemon) commanded(topic string) bool {
	for i := range d.cfg.OnCrashNow {
		if d.cfg.OnCrashNow[i].Topic == topic {
			return true
		}
	}
	return false
}
