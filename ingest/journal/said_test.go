package journal_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

func withBatch(t *testing.T, sensors ...string) *journal.Journal {
	t.Helper()
	j := journaltest.Open(t)
	created, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat-12", Name: "pale wheat 12", Spec: json.RawMessage(`{"ceiling":0.5}`), Sensors: sensors, Started: pitch})
	require.NoError(t, err)
	require.True(t, created)
	return j
}

func event(n int64, typ string) journal.Event {
	return journal.Event{Batch: "wheat-12", N: n, Type: typ, Time: pitch.Add(time.Duration(n) * time.Minute), Body: fmt.Appendf(nil, `{"n":%d}`, n)}
}

func alarm(n int) journal.Alert {
	return journal.Alert{
		ID: fmt.Sprintf("wheat-12/crash-now/%d", n), Batch: "wheat-12", Kind: "crash-now", Severity: "urgent", Title: "Start the crash now",
		Message: "In 18 of 20 cases the ceiling then holds.", Body: json.RawMessage(`{}`), Raised: pitch.Add(time.Hour), Recorded: pitch.Add(2 * time.Hour), Token: fmt.Sprintf("token-%d", n),
	}
}

// everything a watch may have left, as one comparable value.
func everything(t require.TestingT, j *journal.Journal) any {
	ctx := contextOf(t)
	snapshot, seq, lastN, err := j.WatchState(ctx, "wheat-12")
	require.NoError(t, err)
	events, err := j.EventsAfter(ctx, 0, 0)
	require.NoError(t, err)
	alerts, err := j.Alerts(ctx, "", false)
	require.NoError(t, err)
	deliveries, err := j.Due(ctx, pitch.AddDate(1, 0, 0), 0)
	require.NoError(t, err)
	return []any{string(snapshot), seq, lastN, events, alerts, deliveries}
}

type saying struct {
	seq        int64
	snapshot   []byte
	events     []journal.Event
	alerts     []journal.Alert
	resolved   []string
	deliveries []journal.Delivery
}

func (s saying) say(t require.TestingT, j *journal.Journal) {
	require.NoError(t, j.Say(contextOf(t), "wheat-12", s.seq, s.snapshot, s.events, s.alerts, s.resolved, pitch.Add(time.Duration(s.seq)*time.Hour), s.deliveries))
}

// Law: a watch that goes back to any place and says all again from there, once
// or often, leaves the journal as if it had said everything once.
func TestSayingAgainChangesNothing(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		var sayings []saying
		n := int64(0)
		for i := range rapid.IntRange(1, 8).Draw(t, "sayings") {
			s := saying{seq: int64(i + 1)}
			for range rapid.IntRange(0, 3).Draw(t, "events") {
				n++
				s.events = append(s.events, event(n, "estimate"))
			}
			if rapid.Bool().Draw(t, "alert") {
				a := alarm(i)
				s.alerts = append(s.alerts, a)
				s.deliveries = append(s.deliveries, journal.Delivery{Alert: a.ID, Channel: "ntfy", N: 1, Due: a.Recorded})
			}
			if i > 0 && len(sayings[i-1].alerts) > 0 {
				s.resolved = append(s.resolved, sayings[i-1].alerts[0].ID)
			}
			if rapid.Bool().Draw(t, "snapshot") {
				s.snapshot = fmt.Appendf(nil, "belief %d", i)
			}
			sayings = append(sayings, s)
		}
		once, again := openDrawn(t), openDrawn(t)
		for _, j := range []*journal.Journal{once, again} {
			_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat-12", Started: pitch})
			require.NoError(t, err)
		}
		for i, s := range sayings {
			s.say(t, once)
			s.say(t, again)
			for _, old := range sayings[rapid.IntRange(0, i).Draw(t, "back to") : i+1] {
				old.say(t, again)
			}
		}
		require.Equal(t, everything(t, once), everything(t, again))
		require.Zero(t, again.Stats().Diverged)
	})
}

func TestSayIsAllOrNothing(t *testing.T) {
	j := withBatch(t)
	before := everything(t, j)
	for name, s := range map[string]saying{
		"resolves an unknown alert": {seq: 9, events: []journal.Event{event(1, "alert")}, resolved: []string{"wheat-12/ph/1"}},
		"delivers an unknown alert": {seq: 9, alerts: []journal.Alert{alarm(1)}, deliveries: []journal.Delivery{{Alert: "wheat-12/ph/1", Channel: "ntfy", N: 1, Due: pitch}}},
		"an event without number":   {seq: 9, alerts: []journal.Alert{alarm(1)}, events: []journal.Event{event(0, "alert")}},
	} {
		require.Error(t, j.Say(t.Context(), "wheat-12", s.seq, []byte("x"), s.events, s.alerts, s.resolved, pitch, s.deliveries), name)
		require.Equal(t, before, everything(t, j), name)
	}
	require.ErrorIs(t, j.Say(t.Context(), "nobody", 1, nil, nil, nil, nil, pitch, nil), journal.ErrNotFound)
	require.True(t, j.Health().OK, "a wrong request is not a broken journal")
}

func TestWatchThatSaysSomethingElseIsCounted(t *testing.T) {
	j := withBatch(t)
	saying{seq: 1, events: []journal.Event{event(1, "estimate")}}.say(t, j)
	other := event(1, "estimate")
	other.Body = json.RawMessage(`{"n":2}`)
	saying{seq: 1, events: []journal.Event{other}}.say(t, j)
	require.EqualValues(t, 1, j.Stats().Diverged)
	kept, ok, err := j.LatestEvent(t.Context(), "wheat-12", "estimate")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, event(1, "estimate"), kept, "the first stays")
}

func TestEventsByTypeTimeAndOrder(t *testing.T) {
	j := withBatch(t)
	var all []journal.Event
	for n := range int64(6) {
		all = append(all, event(n+1, []string{"estimate", "projection", "alert"}[n%3]))
	}
	saying{seq: 1, events: all}.say(t, j)
	for _, c := range []struct {
		name     string
		types    []string
		from, to time.Time
		limit    int
		newest   bool
		want     []int64
	}{
		{"all", nil, time.Time{}, time.Time{}, 0, false, []int64{1, 2, 3, 4, 5, 6}},
		{"newest two", nil, time.Time{}, time.Time{}, 2, true, []int64{6, 5}},
		{"one type", []string{"alert"}, time.Time{}, time.Time{}, 0, true, []int64{6, 3}},
		{"two types", []string{"alert", "estimate"}, time.Time{}, time.Time{}, 3, false, []int64{1, 3, 4}},
		{"from included, to not", nil, all[1].Time, all[4].Time, 0, false, []int64{2, 3, 4}},
		{"no such type", []string{"rejected"}, time.Time{}, time.Time{}, 0, false, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := j.Events(t.Context(), "wheat-12", c.types, c.from, c.to, c.limit, c.newest)
			require.NoError(t, err)
			var ns []int64
			for _, e := range got {
				ns = append(ns, e.N)
				require.Equal(t, all[e.N-1], e)
			}
			require.Equal(t, c.want, ns)
		})
	}
	after, err := j.EventsAfter(t.Context(), 4, 10)
	require.NoError(t, err)
	require.Equal(t, []journal.SaidEvent{{Row: 5, Event: all[4]}, {Row: 6, Event: all[5]}}, after)
}
