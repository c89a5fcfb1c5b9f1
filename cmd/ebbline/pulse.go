package main

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
)

// pulse tells whether messages and the outbox move. Times are of the wall clock:
// it is about this machine, not about beer.
type pulse struct {
	underWay atomic.Int64 // messages being stored
	moved    atomic.Int64 // when the last began on an idle intake, or ended; Unix µs
	stepped  atomic.Int64 // when a watch last took a step within a round; Unix µs
	asked    atomic.Int64 // when the outbox last asked what is due; Unix µs
}

func (p *pulse) begin() {
	if p.underWay.Add(1) == 1 {
		p.moved.Store(time.Now().UnixMicro())
	}
}

func (p *pulse) end() {
	p.moved.Store(time.Now().UnixMicro())
	p.underWay.Add(-1)
}

// beatingStore notes each time the outbox has its question answered.
type beatingStore struct {
	deliver.Store
	pulse *pulse
}

// Due see deliver.Store.
func (b *beatingStore) Due(ctx context.Context, now time.Time, limit int) ([]journal.Delivery, error) {
	due, err := b.Store.Due(ctx, now, limit)
	if err == nil {
		b.pulse.asked.Store(time.Now().UnixMicro())
	}
	return due, err
}

// age is how long ago a moment of the wall clock was.
func age(micros int64) time.Duration { return time.Since(time.UnixMicro(micros)) }

// packetAge is how long nothing may come from an external broker; keep-alive
// answers come every few seconds.
const packetAge = time.Minute

// hung says which loop of the daemon itself stands still, or "". It waits for
// nothing, and it is only about what a restart may mend: not about a broker, a
// disk or a channel that fails.
func (d *daemon) hung() string {
	since := func(moved int64) time.Duration { // a loop has from the start on to move at first
		if moved == 0 {
			moved = d.up.UnixMicro()
		}
		return age(moved)
	}
	watched := since(max(d.beat.Load(), d.pulse.stepped.Load()))
	switch {
	case d.pulse.underWay.Load() > 0 && age(d.pulse.moved.Load()) > stuckAfter:
		return "messages are not being stored"
	case watched > stuckAfter:
		return fmt.Sprintf("the watches have not moved for %s", config.Span(watched.Round(time.Second)))
	case since(d.pulse.asked.Load()) > stuckAfter:
		return fmt.Sprintf("the outbox has not looked for %s what is to be told", config.Span(stuckAfter))
	}
	return ""
}

// stuck says which of ingest, journal, watches and outbox makes no progress, or
// "". It asks the journal to write, so it may take until ctx ends.
func (d *daemon) stuck(ctx context.Context) string {
	st := d.source.Status()
	_, external := d.source.(*broker.Subscriber)
	switch {
	case !st.Connected:
		return "readings cannot arrive: " + st.Problem
	case external && !st.LastPacket.IsZero() && d.clock.Now().Sub(st.LastPacket) > packetAge:
		return "nothing is heard from the broker"
	case d.beat.Load() == 0:
		return "the watches have not begun"
	}
	if why := d.hung(); why != "" {
		return why
	}
	if err := d.journal.Set(ctx, "alive", d.clock.Now().UTC().Format(time.RFC3339)); err != nil {
		return "the record cannot be written"
	}
	if h := d.watchHealth(); !h.OK {
		return h.Text
	}
	if reachesNobody(d.urgentChannels()) { // not at once: a channel may be away for a minute
		return d.phoneHealth().Text
	}
	return ""
}
