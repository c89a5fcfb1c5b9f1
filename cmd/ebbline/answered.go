package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

const (
	// answeredFor is for how long an answer to crash-now is trusted, past the time that
	// the brewer takes to start a crash: beer in a cold place is colder by then.
	answeredFor = time.Hour
	// answeredLook is how often the answers are looked at, by the daemon's clock.
	answeredLook = time.Minute
	// answeredMark is in the IDs of its alerts, before the number of the crash-now.
	answeredMark = "answered-"
)

// answers sees whether an answered crash-now is followed by a crash. Who answers half
// asleep ends the ringing, and warm beer goes on: if no crash is entered and the beer
// does not get colder, the phone is told once more.
type answers struct {
	journal *journal.Journal
	clock   Clock
	log     *slog.Logger
	zone    func() *time.Location
	// commanded reports whether a command to the brewer's equipment looks after an
	// occurrence of crash-now.
	commanded func(batch, crashNow string) bool
	states    interface {
		ringing() []config.BatchFile
		stateOf(batch string) (st alert.State, live, running bool)
	}
	raise func(ctx context.Context, a journal.Alert, f config.BatchFile, st alert.State) error

	looked map[string]time.Time // by batch
	told   map[string]string    // by batch: its open alert
}

// run looks after the answers of all batches until ctx ends.
func (s *answers) run(ctx context.Context) {
	tick := time.NewTicker(commandLook)
	defer tick.Stop()
	for {
		if err := s.round(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("what followed the answer to a crash-now could not be looked after; it is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// begin finds what was told by an earlier process.
func (s *answers) begin(ctx context.Context) error {
	open, err := s.journal.Alerts(ctx, "", true)
	if err != nil {
		return err
	}
	told := map[string]string{}
	for _, a := range open {
		if ofAnAnswer(a) {
			told[a.Batch] = a.ID
		}
	}
	s.looked, s.told = map[string]time.Time{}, told
	return nil
}

// round looks once a minute at each batch that is called to crash, and at those told of.
func (s *answers) round(ctx context.Context) error {
	if s.told == nil {
		if err := s.begin(ctx); err != nil {
			return err
		}
	}
	now := s.clock.Now()
	var faults []error
	rings := map[string]bool{}
	for _, f := range s.states.ringing() {
		id := f.Batch.ID
		rings[id] = true
		st, live, running := s.states.stateOf(id)
		if !running || !live || now.Sub(s.looked[id]).Abs() < answeredLook {
			continue
		}
		if err := s.turn(ctx, f, st, now); err != nil {
			faults = append(faults, fmt.Errorf("batch %s: %w", id, err))
			continue
		}
		s.looked[id] = now
	}
	for id := range s.told {
		if !rings[id] {
			faults = append(faults, s.calmed(ctx, id, now))
		}
	}
	return errors.Join(faults...)
}

// calmed ends what is told of a batch whose crash-now is over or that is packaged. One
// that was not looked at since the start waits.
func (s *answers) calmed(ctx context.Context, batch string, now time.Time) error {
	if _, _, running := s.states.stateOf(batch); !running {
		b, err := s.journal.Batch(ctx, batch)
		if err != nil || b.Ended == nil {
			return err
		}
	}
	return s.over(ctx, batch, now)
}

// turn does what there is to do for one batch.
func (s *answers) turn(ctx context.Context, f config.BatchFile, st alert.State, now time.Time) error {
	id := f.Batch.ID
	open, err := s.journal.Alerts(ctx, id, true)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(open, func(a journal.Alert) bool { return a.Kind == string(alert.CrashNow) })
	if i < 0 || st.CrashStarted != nil || s.told[id] != "" && s.told[id] != answeredID(open[i]) {
		return s.over(ctx, id, now)
	}
	called := open[i]
	if called.Acknowledged == nil {
		return nil // it rings itself
	}
	from := *called.Acknowledged
	if due := called.Recorded.Add(f.Batch.ResponseTime); due.After(from) {
		from = due
	}
	b, err := s.journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	f.Batch.Sensors = b.Sensors // those it has now
	colder, heard, err := s.colder(ctx, f.Batch, *called.Acknowledged, now)
	switch {
	case err != nil:
		return err
	case colder:
		return s.over(ctx, id, now)
	case s.told[id] != "" || now.Sub(from) < answeredFor || slices.Contains(st.Open, alert.OverCeiling) || s.commanded(id, called.ID):
		return nil
	}
	return s.warn(ctx, f, st, called, heard, now)
}

// colder reports whether the beer is colder than when it was answered for, or than it
// was heard to be first after that; heard is false if no temperature came since.
func (s *answers) colder(ctx context.Context, b projection.Batch, at, now time.Time) (colder, heard bool, err error) {
	since, err := warmths(ctx, s.journal, b, at.Add(time.Microsecond), time.Time{})
	if err != nil || len(since) == 0 {
		return false, false, err
	}
	warm, err := warmthAt(ctx, s.journal, b, at)
	if err != nil {
		return false, true, err
	}
	if warm == nil {
		warm = new(gravity.Celsius(since[0].Value))
	}
	colder, _, err = colderSince(ctx, s.journal, b, at, warm, now)
	return colder, true, err
}

// warn tells the phone, once for an occurrence of crash-now.
func (s *answers) warn(ctx context.Context, f config.BatchFile, st alert.State, called journal.Alert, heard bool, now time.Time) error {
	id := answeredID(called)
	if _, err := s.journal.Alert(ctx, id); !errors.Is(err, journal.ErrNotFound) {
		return err
	}
	sign := "the beer is not colder"
	if !heard {
		sign = "no temperature of the beer was heard"
	}
	at := called.Acknowledged.In(s.zone()).Format("15:04 on Mon 2 Jan")
	a := journal.Alert{
		ID: id, Batch: f.Batch.ID, Kind: string(alert.NotCooling), Severity: string(alert.Urgent), Raised: now, Recorded: now,
		Title:   "Answered, and not cooling: " + f.Batch.Name,
		Message: fmt.Sprintf("Start the crash now, or enter it if it has started. Someone answered “Start the crash now” at %s; since then no crash was entered and %s. Warm beer goes on towards its ceiling.", at, sign),
	}
	if err := s.raise(ctx, a, f, st); err != nil {
		return err
	}
	s.told[f.Batch.ID] = id
	s.log.Warn("crash-now was answered, and neither was a crash entered nor did the beer get colder", "batch", f.Batch.ID, "answered", *called.Acknowledged)
	return nil
}

// over ends what a batch is told of.
func (s *answers) over(ctx context.Context, batch string, now time.Time) error {
	if s.told[batch] == "" {
		return nil
	}
	if err := s.journal.Resolve(ctx, s.told[batch], now); err != nil {
		return err
	}
	delete(s.told, batch)
	return nil
}

// answeredID is the alert that follows the answer to a crash-now, a name that no watch
// gives.
func answeredID(crashNow journal.Alert) string {
	return fmt.Sprintf("%s/%s/%s%s", crashNow.Batch, alert.NotCooling, answeredMark, crashNow.ID[strings.LastIndex(crashNow.ID, "/")+1:])
}

func ofAnAnswer(a journal.Alert) bool {
	return strings.HasPrefix(a.ID, a.Batch+"/"+string(alert.NotCooling)+"/"+answeredMark)
}
