package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
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
// does not get colder, the phone is told again, by an alert of its own.
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
	news  func(batch string)

	// By batch: when it was looked at, its open alert, its temperature when the
	// crash-now was answered.
	looked map[string]time.Time
	told   map[string]string
	was    map[string]answeredAt
}

// answeredAt is a temperature at the answer to a crash-now.
type answeredAt struct {
	crashNow string
	celsius  gravity.Celsius
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
	s.looked, s.told, s.was = map[string]time.Time{}, map[string]string{}, map[string]answeredAt{}
	for _, a := range open {
		if ofAnAnswer(a) {
			s.told[a.Batch] = a.ID
		}
	}
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
	look := func(id string, what func() error) {
		if now.Sub(s.looked[id]).Abs() < answeredLook {
			return
		}
		s.looked[id] = now
		if err := what(); err != nil && !errors.Is(err, journal.ErrChanged) { // which health tells of
			faults = append(faults, fmt.Errorf("batch %s: %w", id, err))
		}
	}
	rings := map[string]bool{}
	for _, f := range s.states.ringing() {
		rings[f.Batch.ID] = true
		if st, live, running := s.states.stateOf(f.Batch.ID); running && live {
			look(f.Batch.ID, func() error { return s.turn(ctx, f, st, now) })
		}
	}
	for id := range s.told {
		if !rings[id] {
			look(id, func() error { return s.calmed(ctx, id, now) })
		}
	}
	return errors.Join(faults...)
}

// calmed ends what is told of a batch whose crash-now is over, or which is packaged, by
// the record: what is believed after a start may be of hours ago.
func (s *answers) calmed(ctx context.Context, batch string, now time.Time) error {
	called, err := s.journal.Alert(ctx, calledBy(batch, s.told[batch]))
	if err != nil && !errors.Is(err, journal.ErrNotFound) {
		return err
	}
	if err == nil && called.Resolved == nil {
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
	all, err := s.journal.Alerts(ctx, id, false)
	if err != nil {
		return err
	}
	var called *journal.Alert
	delete(s.told, id)
	for i, a := range all {
		switch {
		case a.Resolved != nil:
		case ofAnAnswer(a):
			s.told[id] = a.ID
		case a.Kind == string(alert.CrashNow) && called == nil:
			called = &all[i]
		}
	}
	if called == nil || st.CrashStarted != nil || slices.Contains(st.Open, alert.OverCeiling) || s.told[id] != "" && calledBy(id, s.told[id]) != called.ID {
		return s.over(ctx, id, now)
	}
	if called.Acknowledged == nil {
		return nil // it rings itself
	}
	b, err := s.journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	f.Batch.Sensors = b.Sensors // those it has now
	at := *called.Acknowledged
	if at.After(now) { // of a clock that was set back
		at = called.Recorded
	}
	colder, heard, err := s.colder(ctx, f.Batch, called.ID, at, now)
	switch {
	case err != nil:
		return err
	case colder:
		return s.over(ctx, id, now)
	case s.told[id] != "" || s.commanded(id, called.ID):
		return nil
	}
	n := 1
	due := later(at, called.Recorded.Add(f.Batch.ResponseTime))
	for _, a := range all { // told of before, and over since
		if ofAnAnswer(a) && calledBy(id, a.ID) == called.ID {
			n++
			due = later(due, *a.Resolved)
		}
	}
	if now.Sub(due) < answeredFor {
		return nil
	}
	return s.warn(ctx, f, st, *called, n, heard, now)
}

// colder reports whether the beer is colder than when it was answered for, by half of
// what it falls in the time it is given, or cold; heard is false if no temperature of it
// came of late.
func (s *answers) colder(ctx context.Context, b projection.Batch, crashNow string, at, now time.Time) (colder, heard bool, err error) {
	since, err := recentWarmths(ctx, s.journal, b, at, now)
	if err != nil || len(since) == 0 {
		return false, false, err
	}
	limit := b.Crash.To + alert.ColdMargin
	was, known, err := s.warmth(ctx, b, crashNow, at)
	if err != nil {
		return false, true, err
	}
	if known {
		fall := followed
		if b.Crash.TimeConstant > 0 {
			expected := float64(was-b.Crash.To) * (1 - math.Exp(-answeredFor.Hours()/b.Crash.TimeConstant.Hours()))
			fall = min(fall, max(least, expected/2))
		}
		limit = max(limit, was-gravity.Celsius(fall))
	}
	return bothBelow(since, limit), true, nil
}

// warmth is the beer's temperature when the crash-now was answered, or heard first after
// that; known once and kept, for the float that told it may be taken out.
func (s *answers) warmth(ctx context.Context, b projection.Batch, crashNow string, at time.Time) (was gravity.Celsius, known bool, err error) {
	if kept, ok := s.was[b.ID]; ok && kept.crashNow == crashNow {
		return kept.celsius, true, nil
	}
	warm, err := warmthAt(ctx, s.journal, b, at)
	if err != nil {
		return 0, false, err
	}
	if warm == nil {
		first, err := warmths(ctx, s.journal, b, at.Add(time.Microsecond), at.Add(warmthAge))
		if err != nil || len(first) == 0 {
			return 0, false, err
		}
		warm = new(gravity.Celsius(first[0].Value))
	}
	s.was[b.ID] = answeredAt{crashNow, *warm}
	return *warm, true, nil
}

// warn tells the phone, for the nth time for an occurrence of crash-now.
func (s *answers) warn(ctx context.Context, f config.BatchFile, st alert.State, called journal.Alert, n int, heard bool, now time.Time) error {
	id := answeredID(called, n)
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
	s.news(batch)
	return nil
}

// answeredID is the nth alert that follows the answer to a crash-now, a name that no
// watch gives.
func answeredID(crashNow journal.Alert, n int) string {
	id := fmt.Sprintf("%s/%s/%s%s", crashNow.Batch, alert.NotCooling, answeredMark, crashNow.ID[strings.LastIndex(crashNow.ID, "/")+1:])
	if n > 1 {
		id = fmt.Sprintf("%s-%d", id, n)
	}
	return id
}

// calledBy is the ID of the crash-now whose answer an alert follows.
func calledBy(batch, answered string) string {
	n, _, _ := strings.Cut(answered[strings.LastIndex(answered, "/")+1+len(answeredMark):], "-")
	return fmt.Sprintf("%s/%s/%s", batch, alert.CrashNow, n)
}

func ofAnAnswer(a journal.Alert) bool {
	return strings.HasPrefix(a.ID, a.Batch+"/"+string(alert.NotCooling)+"/"+answeredMark)
}
