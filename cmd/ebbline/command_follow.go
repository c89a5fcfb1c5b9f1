package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// follow sees whether the beer gets colder after a command.
func (c *commander) follow(ctx context.Context, f config.BatchFile, cmd *config.Command, rec *sending, st alert.State) error {
	id := f.Batch.ID
	if rec != nil && rec.State == sendingHeld {
		return c.letGo(ctx, id, rec, st)
	}
	if rec == nil || rec.State != sendingDone && rec.State != sendingUnsure {
		return nil
	}
	if !rec.Noted {
		if err := c.enter(ctx, id, journal.NoteEntry, rec.At, "command "+rec.Alert, map[string]string{"text": rec.remark()}); err != nil {
			return err
		}
		rec.Noted = true
		if err := c.save(ctx, id, rec); err != nil {
			return err
		}
	}
	if st.CrashStarted != nil { // entered by a person, or by us
		rec.Crashed = true
		return c.over(ctx, id, rec)
	}
	colder, err := c.colder(ctx, f.Batch, rec)
	if err != nil {
		return err
	}
	if colder {
		if err := c.enter(ctx, id, journal.CrashStarted, rec.At, "command "+rec.Alert+" followed", struct{}{}); err != nil {
			return err
		}
		c.log.Info("the beer follows the command; the crash is entered as started", "batch", id, "topic", rec.Topic)
		rec.Crashed = true
		return c.over(ctx, id, rec)
	}
	late := c.clock.Now().Sub(rec.At) >= cmd.Within
	if rec.Told != "" || !late && rec.State == sendingDone {
		return nil
	}
	return c.warn(ctx, f, cmd, rec, st)
}

// colder reports whether the beer follows the command.
func (c *commander) colder(ctx context.Context, b projection.Batch, rec *sending) (bool, error) {
	since, err := recentWarmths(ctx, c.journal, b, rec.At, c.clock.Now())
	if err != nil || len(since) == 0 {
		return false, err
	}
	if rec.From == nil { // the first that was heard then
		rec.From = new(gravity.Celsius(since[0].Value))
		return false, c.save(ctx, b.ID, rec)
	}
	from, to := *rec.From, b.Crash.To
	return bothBelow(since, max(from-max(min(followed, (from-to)/2), least), to+nearly)), nil
}

// goOn takes up the care for a command that ended with its batch, which is watched
// again: its packaging was struck out. What became of the command is as it was, and
// what was told of it holds again. One that never left is not sent any more if its
// crash-now is over.
func (c *commander) goOn(ctx context.Context, id string, rec *sending) error {
	wanted := true
	if rec.Was == sendingHeld {
		a, err := c.journal.Alert(ctx, rec.Alert)
		if err != nil {
			return err
		}
		wanted = a.Resolved == nil
	}
	if wanted {
		if rec.Told != "" && !rec.Crashed {
			if err := c.journal.Reopen(ctx, rec.Told, c.clock.Now()); err != nil {
				return err
			}
		}
		rec.State = rec.Was
	}
	rec.Was = ""
	return c.save(ctx, id, rec)
}

// letGo ends the tries to send a command that nobody needs any more.
func (c *commander) letGo(ctx context.Context, id string, rec *sending, st alert.State) error {
	a, err := c.journal.Alert(ctx, rec.Alert)
	if err != nil {
		return err
	}
	if st.CrashStarted == nil && a.Resolved == nil && c.clock.Now().Sub(a.Recorded) < commandPastUse {
		return nil
	}
	c.log.Warn("crash-now is over and its command was never sent", "batch", id, "topic", rec.Topic, "why", rec.Why)
	return c.over(ctx, id, rec)
}

// afterCrash looks after a batch whose command was followed by a crash. If that
// is struck out, crash-now may be raised again, but whoever struck it out is at
// the controls: the switch is not touched again, and the sentence says so.
func (c *commander) afterCrash(ctx context.Context, id string, rec *sending, st alert.State) error {
	is := sendingOver
	if st.CrashStarted == nil {
		struck, err := c.crashStruck(ctx, id)
		if err != nil {
			return err
		}
		if struck {
			is = sendingStruck
		}
	}
	if rec.State == is {
		return nil
	}
	rec.State = is
	err := c.save(ctx, id, rec)
	c.states.entered(id)
	return err
}

// crashStruck reports whether every start of the crash in the record is struck
// out; a watch that has not read the entry yet does not count.
func (c *commander) crashStruck(ctx context.Context, batch string) (bool, error) {
	all, err := c.journal.Entries(ctx, batch)
	if err != nil {
		return false, err
	}
	standing := map[int64]bool{}
	for _, e := range all {
		switch e.Kind {
		case journal.CrashStarted:
			standing[e.Seq] = true
		case journal.StruckEntry:
			var body struct{ Seq int64 }
			if err := json.Unmarshal(e.Body, &body); err != nil {
				return false, fmt.Errorf("reading what was struck out: %w", err)
			}
			delete(standing, body.Seq)
		}
	}
	return len(standing) == 0, nil
}

// over ends the care for a command: the crash has started or the beer is
// packaged.
func (c *commander) over(ctx context.Context, id string, rec *sending) error {
	if rec == nil || rec.State == sendingOver {
		return nil
	}
	if rec.Told != "" {
		if err := c.journal.Resolve(ctx, rec.Told, c.clock.Now()); err != nil {
			return err
		}
	}
	rec.State = sendingOver
	err := c.save(ctx, id, rec)
	c.states.entered(id)
	return err
}

// warn tells the phone that nobody may rely on the command. It is named after
// the crash-now it answers, so that telling it again changes nothing; a name that
// no watch gives.
func (c *commander) warn(ctx context.Context, f config.BatchFile, cmd *config.Command, rec *sending, st alert.State) error {
	now := c.clock.Now()
	a := journal.Alert{
		ID:    fmt.Sprintf("%s/%s/command-%s", f.Batch.ID, alert.NotCooling, rec.Alert[strings.LastIndex(rec.Alert, "/")+1:]),
		Batch: f.Batch.ID, Kind: string(alert.NotCooling), Severity: string(alert.Urgent), Raised: now, Recorded: now,
	}
	a.Title, a.Message = rec.warning(f.Batch.Name, cmd.Within, c.zone)
	if err := c.raise(ctx, a, f, st); err != nil {
		return err
	}
	rec.Told = a.ID
	return c.save(ctx, f.Batch.ID, rec)
}

// warning is what the phone is told: the order first, then why.
func (s *sending) warning(name string, within time.Duration, zone *time.Location) (title, message string) {
	at := s.At.In(zone).Format("15:04")
	if s.State == sendingUnsure {
		return "Start the crash yourself: " + name, fmt.Sprintf(
			"Look at the cooling and start the crash yourself: whether the command to %s got there at %s is not known (%s). It is not sent again.", s.Topic, at, s.Why)
	}
	return "The command did not cool the beer: " + name, fmt.Sprintf(
		"Look at the cooling and start the crash yourself: the command was sent to %s at %s, and after %s the beer is not colder, or no temperature was heard. It is not sent again.", s.Topic, at, config.Span(within))
}

// raise keeps an alert that no watch has raised, and has it told.
func (k *keeper) raise(ctx context.Context, a journal.Alert, f config.BatchFile, st alert.State) error {
	var err error
	if a.Token, err = newToken(); err != nil {
		return err
	}
	if a.Body, err = bodyOf(a, f.Batch, st.Estimate, st.Projection); err != nil {
		return err
	}
	if err := k.journal.Say(ctx, a.Batch, 0, nil, nil, []journal.Alert{a}, nil, a.Recorded, deliver.Plan(a, k.tellBy(), a.Recorded)); err != nil {
		return fmt.Errorf("writing down an alert: %w", err)
	}
	k.told()
	k.news(a.Batch)
	return nil
}
