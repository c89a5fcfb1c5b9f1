package main

import (
	"context"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/broker"
	"ebbline/projection"
)

// lookOutward makes what goes out over MQTT: the states of the batches, and
// commands; and what looks whether a crash follows an answer. They run on goroutines of their own, begun by startLoops.
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
		journal: d.journal, clock: d.clock, log: d.log, zone: d.conf().Location(), some: func() bool { return len(d.conf().OnCrashNow) > 0 },
		command: func(b projection.Batch) *config.Command { return d.conf().Command(b) }, publish: publish,
		states: d.keeper, enter: d.enter, raise: d.keeper.raise,
	}
	d.answers = &answers{
		journal: d.journal, clock: d.clock, log: d.log, zone: func() *time.Location { return d.conf().Location() },
		commanded: d.commands.looksAfter, states: d.keeper, raise: d.keeper.raise, news: d.states.changed,
	}
	d.keeper.news = d.states.changed
	d.keeper.aside = d.commands.aside
}

// commanded reports whether a topic is one to which we send commands: what comes
// from there is no reading.
func (d *daemon) commanded(topic string) bool {
	commands := d.conf().OnCrashNow
	for i := range commands {
		if commands[i].Topic == topic {
			return true
		}
	}
	return false
}
