package main

import (
	"context"

	"ebbline/alert"
	"ebbline/ingest/broker"
)

// lookOutward makes what goes out over MQTT: the states of the batches, and
// commands. Both run on goroutines of their own, begun by startLoops.
func (d *daemon) lookOutward() {
	publish := func(ctx context.Context, o broker.Outgoing) error { return d.source.Publish(ctx, o) }
	d.states = &stateOut{
		journal: d.journal, clock: d.clock, log: d.log, publish: publish,
		ready:  func() bool { return d.beat.Load() != 0 },
		status: func() broker.Status { return d.source.Status() },
		stage: func(batch string) (alert.State, bool) {
			st, _, running := d.keeper.stateOf(batch)
			return st, running
		},
	}
	d.commands = &commander{
		journal: d.journal, clock: d.clock, log: d.log, zone: d.cfg.Location(), some: len(d.cfg.OnCrashNow) > 0, command: d.cfg.Command, publish: publish,
		states: d.keeper, enter: d.enter, raise: d.keeper.raise,
	}
	d.keeper.news = d.states.changed
	d.keeper.aside = d.commands.aside
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
