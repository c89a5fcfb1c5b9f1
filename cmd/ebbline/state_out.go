package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"ebbline/alert"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
)

const (
	// stateEvery is the least time between two states of one batch.
	stateEvery = time.Minute
	// stateLook is how often the loop looks, in real time.
	stateLook = time.Second
)

// stateOut keeps the retained message of each batch up to date at the broker.
// It runs on a goroutine of its own: no reading ever waits for it.
type stateOut struct {
	journal *journal.Journal
	clock   Clock
	log     *slog.Logger
	ready   func() bool // the watches have had their first turn
	status  func() broker.Status
	publish func(context.Context, broker.Outgoing) error
	stage   func(batch string) (alert.State, bool) // of a running batch

	mu      sync.Mutex
	news    map[string]bool // batches of which there may be something new
	problem string          // why the last state did not get out

	// Of the loop alone:
	last  map[string]sentState
	since time.Time // of the connection on which last was sent
}

type sentState struct {
	at   time.Time
	body string
	told string // what the journal keeps of it, see toldKey
}

// changed notes that there may be something new of a batch. It never waits.
func (s *stateOut) changed(batch string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.news == nil {
		s.news = map[string]bool{}
	}
	s.news[batch] = true
}

// run sends until ctx ends.
func (s *stateOut) run(ctx context.Context) {
	tick := time.NewTicker(stateLook)
	defer tick.Stop()
	for {
		s.note(s.round(ctx))
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (s *stateOut) note(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.problem
	s.problem = ""
	if err != nil {
		if s.problem = err.Error(); before == "" {
			s.log.Warn("the state of a batch could not be published; it is tried again", "error", err)
		}
	}
}

func (s *stateOut) trouble() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.problem
}

// round sends what is new. After a new connection everything is: the broker may
// have forgotten what it kept.
func (s *stateOut) round(ctx context.Context) error {
	st := s.status()
	if !st.Connected || !s.ready() {
		return nil // health says that already
	}
	if s.last == nil || !st.Since.Equal(s.since) {
		if err := s.all(ctx); err != nil {
			return err
		}
		s.last, s.since = map[string]sentState{}, st.Since
	}
	now := s.clock.Now()
	for _, id := range s.due(now) {
		if err := s.send(ctx, id, now); err != nil {
			s.changed(id)
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
	return nil
}

// all marks every batch whose state is not told to its end.
func (s *stateOut) all(ctx context.Context) error {
	batches, err := s.journal.Batches(ctx)
	if err != nil {
		return err
	}
	for _, b := range batches {
		told, _, err := s.journal.Get(ctx, toldKey(b.ID))
		if err != nil && !errors.Is(err, journal.ErrChanged) {
			return err
		}
		if b.Ended == nil || told == stillTold {
			s.changed(b.ID)
		}
	}
	return nil
}

// due takes the batches whose turn it is out of the news.
func (s *stateOut) due(now time.Time) []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var ids []string
	for _, id := range slices.Sorted(maps.Keys(s.news)) {
		if last, sent := s.last[id]; sent && now.Sub(last.at) < stateEvery && !now.Before(last.at) {
			continue
		}
		delete(s.news, id)
		ids = append(ids, id)
	}
	return ids
}

// toldKey is where the journal keeps whether the broker holds a running state
// of a batch; the last one says that it is packaged.
func toldKey(batch string) string { return "mqtt state/" + batch }

const (
	stillTold = "running"
	toldToEnd = "packaged"
)

// send publishes the state of a batch unless the broker has the same already.
func (s *stateOut) send(ctx context.Context, id string, now time.Time) error {
	b, err := s.journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	stage, told := stagePackaged, toldToEnd
	if b.Ended == nil {
		st, running := s.stage(id)
		if !running {
			return nil
		}
		stage, told = stageOf(st), stillTold
	}
	body, known, err := stateOf(ctx, s.journal, b, stage)
	if err != nil || !known || s.last[id].body == string(body) {
		return err
	}
	if told == stillTold && s.last[id].told != told { // before the broker holds it
		if err := s.journal.Set(ctx, toldKey(id), told); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := s.publish(ctx, broker.Outgoing{Topic: stateTopic(id), Payload: body, QoS: 1, Retain: true}); err != nil {
		return fmt.Errorf("publishing the state of batch %s: %w", id, err)
	}
	s.last[id] = sentState{at: now, body: string(body), told: told}
	if told == toldToEnd {
		return s.journal.Set(ctx, toldKey(id), told)
	}
	return nil
}
