package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

const (
	// commandLook is how often the loop looks, in real time.
	commandLook = time.Second
	// commandPastUse is the age from which a crash-now moves no switch any more,
	// as it rings no phone any more.
	commandPastUse = 24 * time.Hour
	// commandPatience bounds one attempt to send; commandGrace what is left of it
	// when the daemon stops.
	commandPatience = 10 * time.Second
	commandGrace    = 2 * time.Second
	// commandRetry is how long a command that could not leave waits.
	commandRetry = 5 * time.Second
)

// commander sends what the brewer configured to be sent on crash-now, and sees
// whether the beer follows.
//
// Each occurrence of crash-now is answered by one command at most. That it is
// about to be sent is in the journal before it is: a daemon killed between the
// two does not know whether it was sent, and then says so rather than send it
// again. Only what certainly did not leave is tried again.
type commander struct {
	journal *journal.Journal
	clock   Clock
	log     *slog.Logger
	zone    *time.Location
	some    func() bool                              // any command is configured
	command func(b projection.Batch) *config.Command // nil: none is to be sent
	publish func(context.Context, broker.Outgoing) error
	states  interface {
		running() []config.BatchFile
		stateOf(batch string) (st alert.State, live, running bool)
		entered(batch string)
	}
	// enter and raise write down a crash that has started, a remark, an alert.
	enter func(ctx context.Context, batch string, kind journal.EntryKind, at time.Time, key string, body any) error
	raise func(ctx context.Context, a journal.Alert, f config.BatchFile, st alert.State) error

	mu      sync.Mutex
	records map[string]*sending // by batch: the last occurrence
	sure    map[string]bool     // batches whose record in the journal is as in records
}

// run looks after the commands of all running batches until ctx ends.
func (c *commander) run(ctx context.Context) {
	tick := time.NewTicker(commandLook)
	defer tick.Stop()
	for {
		if err := c.round(ctx); err != nil && ctx.Err() == nil {
			c.log.Error("a command to the brewer's equipment could not be looked after; it is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// begin reads the records of all batches, before the watches say anything.
func (c *commander) begin(ctx context.Context) error {
	batches, err := c.journal.Batches(ctx)
	if err != nil {
		return err
	}
	for _, b := range batches {
		// One that was changed on the disk is asked for again at each turn, which says so.
		if _, err := c.load(ctx, b.ID); err != nil && !errors.Is(err, journal.ErrChanged) {
			return fmt.Errorf("reading the command of batch %s: %w", b.ID, err)
		}
	}
	return nil
}

// round gives each batch its turn, and ends the care for those that are over.
func (c *commander) round(ctx context.Context) error {
	if !c.some() && len(c.known()) == 0 {
		return nil
	}
	var faults []error
	running := map[string]bool{}
	for _, f := range c.states.running() {
		running[f.Batch.ID] = true
		b, err := c.journal.Batch(ctx, f.Batch.ID)
		if err == nil {
			f.Batch.Sensors = b.Sensors // those it has now
			err = c.turn(ctx, f, c.command(f.Batch))
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("batch %s: %w", f.Batch.ID, err))
		}
	}
	for _, id := range c.known() {
		if running[id] {
			continue
		}
		rec, err := c.load(ctx, id)
		if err == nil && rec != nil {
			rec.Was = rec.State
			err = c.over(ctx, id, rec)
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("batch %s: %w", id, err))
		}
	}
	return errors.Join(faults...)
}

// turn does what there is to do for one running batch.
func (c *commander) turn(ctx context.Context, f config.BatchFile, cmd *config.Command) error {
	id := f.Batch.ID
	if cmd == nil && !c.cares(id) {
		return nil
	}
	rec, err := c.load(ctx, id)
	if err != nil {
		return err
	}
	if cmd == nil { // the brewer has taken it out of the configuration
		return c.over(ctx, id, rec)
	}
	st, live, running := c.states.stateOf(id)
	if !running {
		return nil // packaged just now, so that the next round ends it; or not looked at since the start
	}
	if rec != nil && rec.State == sendingOver && rec.Was != "" {
		if err := c.goOn(ctx, id, rec); err != nil {
			return err
		}
	}
	if rec != nil && rec.State == sendingNow { // by a daemon that was killed
		rec.State, rec.Why = sendingUnsure, "ebbline was stopped while the command was being sent"
		if err := c.save(ctx, id, rec); err != nil {
			return err
		}
		c.states.entered(id) // the sentence tells of it
	}
	if rec != nil && rec.Crashed {
		return c.afterCrash(ctx, id, rec, st)
	}
	if next, err := c.next(ctx, id, rec, st, live); err != nil || next != "" {
		if err == nil {
			err = c.send(ctx, f.Batch, cmd, next)
		}
		return err
	}
	return c.follow(ctx, f, cmd, rec, st)
}

// next is the crash-now that waits for its command, "" if none does.
func (c *commander) next(ctx context.Context, batch string, rec *sending, st alert.State, live bool) (string, error) {
	if !live || st.CrashStarted != nil {
		return "", nil
	}
	open, err := c.journal.Alerts(ctx, batch, true)
	if err != nil {
		return "", err
	}
	for _, a := range open { // the latest first
		if a.Kind != string(alert.CrashNow) || c.clock.Now().Sub(a.Recorded) >= commandPastUse {
			continue
		}
		held := rec != nil && rec.State == sendingHeld && c.clock.Now().Sub(rec.At) >= commandRetry
		if rec == nil || rec.Alert != a.ID || held {
			return a.ID, nil
		}
		return "", nil
	}
	return "", nil
}

// send records that the command is about to be sent, sends it, and records what
// came of it.
func (c *commander) send(ctx context.Context, b projection.Batch, cmd *config.Command, occurrence string) error {
	now := c.clock.Now()
	warm, err := warmthAt(ctx, c.journal, b, now)
	if err != nil {
		return err
	}
	rec := &sending{Alert: occurrence, State: sendingNow, At: now, Topic: cmd.Topic, Payload: cmd.Payload, From: warm}
	if err := c.save(ctx, b.ID, rec); err != nil {
		return fmt.Errorf("the command is not sent, because that could not be recorded: %w", err)
	}
	err = c.attempt(ctx, cmd)
	ctx = context.WithoutCancel(ctx) // what happened is recorded even if the daemon stops
	switch {
	case err == nil:
		rec.State = sendingDone
		c.log.Info("crash-now: a command was sent", "batch", b.ID, "alert", occurrence, "topic", cmd.Topic)
	case errors.Is(err, broker.ErrNotSent):
		rec.State, rec.Why = sendingHeld, plainWords(err)
	default:
		rec.State, rec.Why = sendingUnsure, plainWords(err)
		c.log.Error("crash-now: whether a command was sent is not known; it is not sent again", "batch", b.ID, "topic", cmd.Topic, "error", err)
	}
	err = c.save(ctx, b.ID, rec)
	c.states.entered(b.ID) // the sentence tells of it
	return err
}

// attempt publishes once. It is not cut off at once when the daemon stops: a
// command cut off is one of which nobody knows.
func (c *commander) attempt(ctx context.Context, cmd *config.Command) error {
	sendCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), commandPatience)
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(commandGrace, cancel) })()
	return c.publish(sendCtx, broker.Outgoing{Topic: cmd.Topic, Payload: []byte(cmd.Payload), QoS: cmd.QoS, Retain: cmd.Retain})
}

// plainWords is an error without the part that is for programs.
func plainWords(err error) string {
	return strings.TrimSuffix(err.Error(), " ("+broker.ErrNotSent.Error()+")")
}
