package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

const (
	// unwrittenLook is how often the record is looked at.
	unwrittenLook = time.Second
	// unwrittenPatience is how long the record must fail before a person is told,
	// unwrittenQuiet how long it must be well before that is told anew.
	unwrittenPatience = 5 * time.Second
	unwrittenQuiet    = 10 * time.Minute
	// unwrittenRetry is how long it waits if no channel takes the message.
	unwrittenRetry = time.Minute
)

// unwritten tells the phone when the record cannot be written. It does so by the
// channels themselves: the outbox rests on the record. And while it cannot, a
// write is tried at every look, so that health is well again as soon as the disk
// is, without waiting for a reading.
type unwritten struct {
	health func() journal.Health
	try    func(context.Context) error
	ladder func() []deliver.Rung
	now    func() time.Time
	log    *slog.Logger

	told bool      // of this outage
	next time.Time // no message before
}

// run looks after the record until ctx ends.
func (u *unwritten) run(ctx context.Context) {
	tick := time.NewTicker(unwrittenLook)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			u.look(ctx)
		}
	}
}

func (u *unwritten) look(ctx context.Context) {
	h := u.health()
	if !h.OK {
		_ = u.try(ctx) // health keeps what came of it
		h = u.health()
	}
	now := u.now()
	lasted := now.Sub(h.Since)
	switch {
	case h.OK && lasted >= unwrittenQuiet:
		u.told = false
	case !h.OK && !u.told && lasted >= unwrittenPatience && !now.Before(u.next):
		u.told = u.tell(ctx, h, now)
		u.next = now.Add(unwrittenRetry)
	}
}

// tell says it by the first channel of the ladder that takes it.
func (u *unwritten) tell(ctx context.Context, h journal.Health, now time.Time) bool {
	n := deliver.Note{N: 1, Alert: journal.Alert{
		ID: fmt.Sprintf("cannot-record/%d", h.Since.Unix()), Kind: "cannot-record", Severity: string(alert.Urgent),
		Title:   "ebbline cannot write its record",
		Message: "Until that is mended no reading is taken and no other alert can come: look at the beer yourself. " + h.Problem,
		Raised:  now, Recorded: now,
	}}
	for _, c := range u.ladder() {
		sending, cancel := context.WithTimeout(ctx, 10*time.Second)
		err := c.Send(sending, n)
		cancel()
		if err == nil {
			return true
		}
		u.log.Warn("that the record cannot be written could not be told", "channel", c.Name(), "error", err)
	}
	return false
}

// lookAfterRecord begins to watch over the record.
func (d *daemon) lookAfterRecord(ctx context.Context) {
	u := &unwritten{
		health: d.journal.Health, now: time.Now, log: d.log,
		ladder: func() []deliver.Rung { return d.ladder.Load().rungs }, // a reload may change it
		try: func(ctx context.Context) error {
			return d.journal.Set(ctx, "writable", d.clock.Now().UTC().Format(time.RFC3339))
		},
	}
	d.background(ctx, "record", u.run)
}
