package main

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

const (
	// outcryLook is how often what may go wrong is looked at.
	outcryLook = time.Second
	// unwrittenPatience is how long the record must fail, blindPatience how long no
	// batch can be watched, before a person is told: a time server may put a clock
	// right that was too old at the start.
	unwrittenPatience = 5 * time.Second
	blindPatience     = 10 * time.Minute
	// outcryQuiet is how long all must be well before it is told anew as soon as at
	// first; an outage that begins earlier is told once it has lasted as long.
	outcryQuiet = 10 * time.Minute
	// outcryAgain is when that is told again which nobody can answer: the record
	// that cannot be written keeps no answer either.
	outcryAgain = time.Hour
	// outcryRetry is how long it waits if no channel takes the message.
	outcryRetry = time.Minute
)

// outcry tells the phone of something that keeps every other alert from coming. It
// does so by the channels themselves: the outbox may rest on what is broken.
type outcry struct {
	kind, title, meaning string
	patience             time.Duration
	problem              func(context.Context) string // "": all is well
	severity             alert.Severity               // "": urgent
	insists              bool                         // it is told again every outcryAgain
	done                 func(context.Context)        // notes that it was told, so that it is no problem any more; nil: it stays one
	ladder               func() []deliver.Rung
	now                  func() time.Time
	log                  *slog.Logger

	ill   bool
	since time.Time // it has been well or ill
	told  time.Time // the last message since it was well for outcryQuiet; zero: none
	times int       // messages since then
	next  time.Time // no message before
}

// run looks after it until ctx ends.
func (o *outcry) run(ctx context.Context) {
	tick := time.NewTicker(outcryLook)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			o.look(ctx)
		}
	}
}

func (o *outcry) look(ctx context.Context) {
	problem, now := o.problem(ctx), o.now()
	if ill := problem != ""; ill != o.ill || o.since.IsZero() {
		o.ill, o.since = ill, now
	}
	switch {
	case !o.ill && now.Sub(o.since) >= outcryQuiet:
		o.told, o.times = time.Time{}, 0
	case o.ill && o.due(now) && !now.Before(o.next):
		o.next = now.Add(outcryRetry)
		if !o.tell(ctx, problem, now) {
			return
		}
		o.told, o.times = now, o.times+1
		if o.done != nil {
			o.done(ctx)
			o.told, o.times = time.Time{}, 0
		}
	}
}

// due reports whether an outage is to be told now. One that comes and goes is told
// once an hour at most, one that lasts for outcryQuiet at least once.
func (o *outcry) due(now time.Time) bool {
	lasted := now.Sub(o.since)
	switch {
	case lasted < o.patience:
		return false
	case o.told.IsZero(), o.told.Before(o.since) && lasted >= outcryQuiet:
		return true
	}
	return o.insists && now.Sub(o.told) >= outcryAgain
}

// tell says it by the first channel of the ladder that takes it.
func (o *outcry) tell(ctx context.Context, problem string, now time.Time) bool {
	title, meaning := o.title, o.meaning
	switch {
	case o.told.IsZero():
	case o.told.Before(o.since):
		title = "Again: " + title
	default:
		title = "Still: " + title
	}
	if o.insists {
		meaning += " This is told again every hour while it lasts."
	}
	id := fmt.Sprintf("%s/%d", o.kind, o.since.Unix())
	if o.severity != "" { // two of a kind may begin in one second
		id += "/" + string(o.severity)
	}
	n := deliver.Note{N: o.times + 1, Alert: journal.Alert{
		ID: id, Kind: o.kind, Severity: string(cmp.Or(o.severity, alert.Urgent)),
		Title: title, Message: meaning + " " + problem, Raised: now, Recorded: now,
	}}
	for _, c := range o.ladder() {
		sending, cancel := context.WithTimeout(ctx, 10*time.Second)
		err := c.Send(sending, n)
		cancel()
		if err == nil {
			return true
		}
		o.log.Warn("what keeps alerts from coming could not be told", "kind", o.kind, "channel", c.Name(), "error", err)
	}
	return false
}

// unwritten is why the record cannot be written. While it cannot, a write is tried
// at every look, so that health is well again as soon as the disk is, without
// waiting for a reading.
func unwritten(ctx context.Context, health func() journal.Health, try func(context.Context) error) string {
	h := health()
	if !h.OK {
		_ = try(ctx) // health keeps what came of it
		h = health()
	}
	if h.OK {
		return ""
	}
	return h.Problem
}

// cryOut begins to look after what would keep alerts from coming.
func (d *daemon) cryOut(ctx context.Context) {
	for _, o := range d.outcries() {
		d.background(ctx, o.kind, o.run)
	}
}

func (d *daemon) outcries() []*outcry {
	writable := func(ctx context.Context) error {
		return d.journal.Set(ctx, "writable", d.clock.Now().UTC().Format(time.RFC3339))
	}
	blind := func(context.Context) string {
		if h := d.watchHealth(); !h.OK && d.journal.Health().OK {
			return h.Text
		}
		return ""
	}
	all := []*outcry{{
		kind: "cannot-record", title: "ebbline cannot write its record", patience: unwrittenPatience, insists: true,
		meaning: "Until that is mended no reading is taken and no other alert can come: look at the beer yourself.",
		problem: func(ctx context.Context) string { return unwritten(ctx, d.journal.Health, writable) },
	}, {
		kind: "cannot-watch", title: "ebbline cannot watch the beer", patience: blindPatience,
		meaning: "Until that is mended an alert may not come when it is due: look at the beer yourself.", problem: blind,
	}, d.changedOutcry(), d.anewOutcry(), d.fileOutcry(alert.Urgent, time.Now), d.fileOutcry(alert.Warning, time.Now)}
	for _, o := range all {
		o.ladder = func() []deliver.Rung { return d.ladder.Load().rungs } // a reload may change it
		o.now, o.log = time.Now, d.log
	}
	return all
}
