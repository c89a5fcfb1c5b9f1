package main

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/broker"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// board is a stateOut over a real journal, with a broker that remembers.
type board struct {
	t     *testing.T
	j     *journal.Journal
	clock *steppedClock
	s     *stateOut
	since time.Time // of the connection
	state alert.State
	fail  error
	sent  []broker.Outgoing
}

func newBoard(t *testing.T) *board {
	b := &board{t: t, j: journaltest.Open(t), clock: &steppedClock{}, since: pitchDay()}
	b.clock.set(pitchDay())
	_, err := b.j.CreateBatch(t.Context(), journal.Batch{ID: coolBatch, Name: "pale wheat 12", Sensors: []string{"float-1"}, Started: pitchDay()})
	require.NoError(t, err)
	b.start()
	return b
}

func (b *board) start() {
	b.s = &stateOut{
		journal: b.j, clock: b.clock, log: slog.New(slog.DiscardHandler),
		ready:  func() bool { return true },
		status: func() broker.Status { return broker.Status{Connected: true, Since: b.since} },
		stage:  func(string) (alert.State, bool) { return b.state, true },
		publish: func(_ context.Context, o broker.Outgoing) error {
			if b.fail != nil {
				return b.fail
			}
			b.sent = append(b.sent, o)
			return nil
		},
	}
}

// says lets the watch say something new, and the loop look.
func (b *board) says(text string) {
	p := present{Time: b.clock.Now(), Text: text, Estimate: json.RawMessage(`{"gravity":1.0105,"gravity_sd":0.0005,"abv":0.31,"abv_sd":0.05,"temperature":null}`), Projection: json.RawMessage(`{"crash_by":"2026-03-08T01:20:00Z","crosses":{"probability":0.97,"p10":"2026-03-08T10:00:00Z","p50":"2026-03-08T14:00:00Z","p90":null},"fan":[]}`)}
	raw, err := json.Marshal(p)
	require.NoError(b.t, err)
	require.NoError(b.t, b.j.Set(b.t.Context(), page.SentenceKey(coolBatch), string(raw)))
	b.s.changed(coolBatch)
	b.look()
}

func (b *board) look() { b.s.note(b.s.round(b.t.Context())) }

func (b *board) pass(d time.Duration) { b.clock.set(b.clock.Now().Add(d)) }

// TestTheStateHasTheFieldsThatAreWrittenDown is the document of version 1, word
// for word: others' programs rest on it.
func TestTheStateHasTheFieldsThatAreWrittenDown(t *testing.T) {
	b := newBoard(t)
	b.says("Plan for the crash.")
	require.Len(t, b.sent, 1)
	o := b.sent[0]
	require.Equal(t, "ebbline/batch/pale-wheat-12/state", o.Topic)
	require.True(t, o.Retain)
	require.EqualValues(t, 1, o.QoS)
	require.JSONEq(t, `{"version":1,"batch":"pale-wheat-12","name":"pale wheat 12","time":"2026-03-06T18:00:00Z","stage":"fermenting",
		"sentence":"Plan for the crash.","gravity":1.0105,"gravity_sd":0.0005,"abv":0.31,"abv_sd":0.05,"temperature":null,
		"crash_by":"2026-03-08T01:20:00Z","crosses":{"probability":0.97,"p10":"2026-03-08T10:00:00Z","p50":"2026-03-08T14:00:00Z","p90":null},"alerts":[]}`, string(o.Payload))
}

// Law: a state goes out when it has changed, and at most once a minute.
func TestStatesAreNotToldTooOften(t *testing.T) {
	b := newBoard(t)
	b.look()
	require.Empty(t, b.sent, "nothing has been said yet")
	b.says("one")
	b.says("two")
	b.says("three")
	require.Len(t, b.sent, 1)
	b.pass(time.Minute)
	b.look()
	require.Len(t, b.sent, 2)
	require.Contains(t, string(b.sent[1].Payload), "three", "the latest, not the next")
	b.pass(time.Hour)
	b.s.changed(coolBatch)
	b.look()
	require.Len(t, b.sent, 2, "nothing has changed")
}

// Law: what the broker did not take, or may have forgotten, is told again.
func TestStatesReachABrokerThatWasAway(t *testing.T) {
	b := newBoard(t)
	b.fail = errors.New("no connection")
	b.says("one")
	require.Contains(t, b.s.trouble(), "no connection")
	b.fail = nil
	b.look()
	require.Len(t, b.sent, 1)
	require.Empty(t, b.s.trouble())
	b.since = b.since.Add(time.Second) // connected anew
	b.look()
	require.Len(t, b.sent, 2)
	require.Equal(t, b.sent[0].Payload, b.sent[1].Payload)
}

// Law: a packaged batch is marked so at the broker, also if the daemon was
// killed before it could tell; then it is left alone.
func TestAPackagedBatchIsMarked(t *testing.T) {
	b := newBoard(t)
	now := b.clock.Now()
	b.state = alert.State{CrashStarted: &now, Cold: &now}
	b.says("Package it.")
	require.Contains(t, string(b.sent[0].Payload), `"stage":"cold"`)
	require.NoError(t, b.j.EndBatch(t.Context(), coolBatch, now))
	b.start()
	b.look()
	require.Len(t, b.sent, 2)
	require.Contains(t, string(b.sent[1].Payload), `"stage":"packaged"`)
	require.Contains(t, string(b.sent[1].Payload), `"crash_by":null,"crosses":null`)
	b.start()
	b.look()
	require.Len(t, b.sent, 2)
}
