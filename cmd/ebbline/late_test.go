package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// A batch is begun long after its pitch, with readings in the journal by which
// its crash fell due nine hours ago, and the last of them four hours old. What
// rings is true now and said in the words of now, or says since when it has been so.
func TestABatchBegunLateRingsForWhatHoldsNow(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, 9*time.Hour)
	s, h := newSink(t), newResidence(t)
	h.quick, h.extra = true, fmt.Sprintf("timezone: UTC\nnotify: [{webhook: %q}]\n", s.URL+"/hook")
	j := h.filled(t, b, 4*time.Hour)
	require.NoError(t, j.Close())

	p := h.serve(t, b.batch)
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 && len(s.of("sensor-silent")) > 0 }, longEnough, 50*time.Millisecond, "%s", p.get("/api/v1/alerts"))
	waitForQuietPhone(t, s)
	p.term()
	j = openJournal(t, h.data)
	raised, err := j.Alerts(t.Context(), b.id, false)
	require.NoError(t, err)
	require.Greater(t, len(raised), 1, "heads-ups stand on the page, and do not ring")
	t.Logf("of %d rang %d: %v", len(raised), len(s.all()), s.all()[0].Body["message"])
	require.Len(t, s.of("crash-now"), 1)
	require.Len(t, s.of("sensor-silent"), 1, "it is silent still")
	for _, c := range s.all() {
		if c.Body["severity"] == "urgent" {
			require.Contains(t, c.Body["message"], "There has been no reading since", "said of now, not of four hours ago")
		} else {
			require.Contains(t, c.Body["message"], "it was found out late, and holds still")
		}
		a, err := j.Alert(t.Context(), fmt.Sprint(c.Body["id"]))
		require.NoError(t, err)
		require.Nil(t, a.Resolved, "it holds still")
	}
}

// filled is a record that holds the readings of a due batch from before they were
// so old, each taken in at its own time.
func (h *residence) filled(t *testing.T, b due, age time.Duration) *journal.Journal {
	t.Helper()
	file, err := config.LoadBatch(b.batch)
	require.NoError(t, err)
	mapper, err := ingest.Compile(file.Sensors)
	require.NoError(t, err)
	j := openJournal(t, h.data)
	for i, l := range captureLines(t, filepath.Join(captures, "plain-02"))[:len(b.lines)] {
		at := l.Time.Add(b.shift)
		if time.Since(at) < age {
			break
		}
		readings, refused := mapper.Decode(ingest.Message{Topic: l.Topic, Payload: []byte(b.lines[i]), Arrived: at})
		require.Empty(t, refused)
		require.NoError(t, j.Record(t.Context(), readings, nil))
	}
	return j
}

// After an update the watch runs again from pitch, and what the older version
// raised under a number may be another occurrence. crash-now holds now: it rings
// if the older version had ended its own, under a number of its own, and not if
// its own is open and answered. What the older one holds open and does not hold
// is over. A restart knows the numbers.
func TestWhatHoldsAfterAnUpdateRings(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		ended bool
		want  string
	}{"ended by the older version": {true, "crash-now/2"}, "answered": {false, "crash-now/1"}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := dueBatch(t, time.Hour)
			s, h := newSink(t), newResidence(t)
			h.quick, h.extra = true, fmt.Sprintf("timezone: UTC\nnotify: [{webhook: %q}]\n", s.URL+"/hook")
			j := h.filled(t, b, 0)
			file, err := config.LoadBatch(b.batch)
			require.NoError(t, err)
			_, err = j.CreateBatch(t.Context(), journal.Batch{ID: b.id, Name: file.Batch.Name, Spec: file.Raw, Sensors: file.Batch.Sensors, Started: file.Batch.PitchedAt})
			require.NoError(t, err)
			old := func(kind string) journal.Alert {
				at := time.Now().Add(-50 * time.Minute)
				return journal.Alert{ID: b.id + "/" + kind + "/1", Batch: b.id, Kind: kind, Severity: "urgent", Title: "T", Message: "M", Raised: at, Recorded: at, Token: kind, Body: []byte("{}")}
			}
			over := old("not-cooling")
			require.NoError(t, j.Say(t.Context(), b.id, 1, []byte("of an older version"), nil, []journal.Alert{old("crash-now"), over}, nil, time.Now(), nil))
			if c.ended {
				require.NoError(t, j.Say(t.Context(), b.id, 1, nil, nil, nil, []string{b.id + "/crash-now/1"}, time.Now(), nil))
			} else {
				_, err := j.Acknowledge(t.Context(), b.id+"/crash-now/1", time.Now())
				require.NoError(t, err)
			}
			require.NoError(t, j.Close())
			p := h.serve(t)
			require.Eventually(t, func() bool {
				return strings.Contains(p.get("/api/v1/alerts?open=true"), c.want) && !strings.Contains(p.get("/api/v1/alerts?open=true"), over.ID)
			}, longEnough, 20*time.Millisecond, "%s", p.get("/api/v1/alerts"))
			if c.ended {
				require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond)
			}
			waitForQuietPhone(t, s)
			rang := s.of("crash-now")
			require.Equal(t, c.ended, len(rang) == 1, "%v", rang)
			require.Empty(t, s.of("not-cooling"))
			p.kill()
			j = openJournal(t, h.data)
			at := time.Now()
			_, err = j.AddEntry(t.Context(), journal.Entry{Batch: b.id, Kind: journal.CrashStarted, Time: at, Entered: at, Body: []byte("{}")})
			require.NoError(t, err)
			require.NoError(t, j.Close())
			p = h.serve(t)
			require.Eventually(t, func() bool { return !strings.Contains(p.get("/api/v1/alerts?open=true"), "crash-now") }, longEnough, 20*time.Millisecond, "%s", p.get("/api/v1/alerts"))
			p.term()
		})
	}
}
