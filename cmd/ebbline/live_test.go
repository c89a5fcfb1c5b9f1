package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// timedBatch writes the batch file of a capture with the device's clock in the
// payload, and returns its path.
func timedBatch(t testing.TB, dir string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "batch.yaml"))
	require.NoError(t, err)
	text := strings.Replace(string(b), "    readings:\n", "    time: /ts\n    readings:\n", 1)
	path := filepath.Join(t.TempDir(), "batch.yaml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// timed are the payloads of a capture with the device's clock in them.
func timed(t testing.TB, lines []captureLine) []string {
	t.Helper()
	var out []string
	for _, l := range lines {
		var p map[string]any
		require.NoError(t, json.Unmarshal(l.Payload, &p))
		p["ts"] = l.Time.UTC().Format(time.RFC3339)
		b, err := json.Marshal(p)
		require.NoError(t, err)
		out = append(out, string(b))
	}
	return out
}

// TestLiveEqualsReplay publishes a capture with the ordinary MQTT client while
// the daemon runs: what it says is what replay says, through both brokers.
func TestLiveEqualsReplay(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"plain-02", "faults-02"} {
		dir := filepath.Join(captures, name)
		batch, lines := timedBatch(t, dir), captureLines(t, dir)[:600]
		want := replayed(t, batch, lines)
		for _, kind := range []string{"mosquitto", "embedded"} {
			t.Run(kind+" "+name, func(t *testing.T) {
				t.Parallel()
				h := newResidence(t)
				h.quick = true // as replay is, to the last bit
				addr := h.broker(t, kind)
				p := h.serve(t, batch)
				requireReadyWithin10s(t, p)
				publish(t, addr, "cellar/float-1", timed(t, lines))
				waitForBelief(t, p, lines[len(lines)-2].Time)
				p.term()
				requireSameLines(t, want, recorded(t, h.data))
			})
		}
	}
}

// requireSameLines shows the first line that differs, not all of them.
func requireSameLines(t *testing.T, want, got []string) {
	t.Helper()
	for i := range min(len(want), len(got)) {
		require.Equal(t, want[i], got[i], "line %d of %d and %d", i+1, len(want), len(got))
	}
	require.Len(t, got, len(want))
}

// waitForBelief waits until the daemon's belief has reached this moment.
func waitForBelief(t testing.TB, p *process, at time.Time) {
	t.Helper()
	want := "ebbline_batch_belief_timestamp_seconds{"
	require.Eventually(t, func() bool {
		for _, l := range strings.Split(p.get("/metrics"), "\n") {
			if strings.HasPrefix(l, want) {
				var v float64
				_, err := fmt.Sscan(l[strings.LastIndex(l, " ")+1:], &v)
				return err == nil && int64(v) >= at.Unix()
			}
		}
		return false
	}, 2*time.Minute, 50*time.Millisecond, "the belief does not arrive at %v", at)
}

// replayed is what replay says of these lines.
func replayed(t testing.TB, batch string, lines []captureLine) []string {
	t.Helper()
	var in strings.Builder
	for i, text := range timed(t, lines) {
		fmt.Fprintf(&in, `{"time":%q,"topic":%q,"payload":%s}`+"\n", lines[i].Time.Format(time.RFC3339), lines[i].Topic, text)
	}
	cmd := quickly(t, "replay", "--batch", batch, "-")
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	require.NoError(t, err)
	var kept []string
	for _, l := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		if !strings.Contains(l, `"type":"rejected"`) {
			kept = append(kept, l)
		}
	}
	return kept
}

// recorded is what the daemon wrote down, as the lines of the contract.
func recorded(t *testing.T, data string) []string {
	t.Helper()
	j := openJournal(t, data)
	batches, err := j.Batches(t.Context())
	require.NoError(t, err)
	require.Len(t, batches, 1)
	events, err := j.Events(t.Context(), batches[0].ID, []string{"estimate", "projection", "alert"}, time.Time{}, time.Now().AddDate(10, 0, 0), 100000, false)
	require.NoError(t, err)
	var out []string
	for _, e := range events {
		out = append(out, string(e.Body))
	}
	return out
}

func openJournal(t testing.TB, data string) *journal.Journal {
	t.Helper()
	journaltest.Begin(t, data)
	j, err := journal.Open(data, journal.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	return j
}

// storedGravities are all gravity readings of a sensor.
func storedGravities(t *testing.T, j *journal.Journal, sensor string) []journal.Stored {
	t.Helper()
	all, err := j.Readings(t.Context(), sensor, ingest.Gravity, time.Time{}, time.Now().AddDate(10, 0, 0), 1<<30)
	require.NoError(t, err)
	return all
}

// TestAWatchThatCannotBeTakenUpRunsAgain: a snapshot of another version, or a
// damaged one, costs nothing: what the daemon says in the end is what replay says.
func TestAWatchThatCannotBeTakenUpRunsAgain(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(captures, "plain-02")
	batch, lines := timedBatch(t, dir), captureLines(t, dir)[:400]
	h := newResidence(t)
	h.quick = true
	addr := h.broker(t, "embedded")
	half := func(part []captureLine) {
		p := h.serve(t, batch)
		requireReadyWithin10s(t, p)
		publish(t, addr, "cellar/float-1", timed(t, part))
		waitForBelief(t, p, part[len(part)-2].Time)
		p.term()
	}
	half(lines[:200])
	damageSnapshot(t, h.data)
	half(lines[200:])
	requireSameLines(t, replayed(t, batch, lines), recorded(t, h.data))
}

func damageSnapshot(t *testing.T, data string) {
	j, err := journal.Open(data, journal.Options{})
	require.NoError(t, err)
	batches, err := j.Batches(t.Context())
	require.NoError(t, err)
	require.Len(t, batches, 1)
	snapshot, seq, _, err := j.WatchState(t.Context(), batches[0].ID)
	require.NoError(t, err)
	require.NotEmpty(t, snapshot)
	require.NoError(t, j.Say(t.Context(), batches[0].ID, seq, []byte(`{"said":1,"watch":"AAAA"}`), nil, nil, nil, time.Now(), nil))
	require.NoError(t, j.Close())
}
