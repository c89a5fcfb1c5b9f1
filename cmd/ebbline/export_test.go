package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// exported exports a data folder and gives the folder of its one batch.
func exported(t *testing.T, data string) (config, batch string) {
	t.Helper()
	dir := t.TempDir()
	config = filepath.Join(dir, "ebbline.yaml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, "data: %s\n%s", data, twoFloats), 0o600))
	to := filepath.Join(dir, "taken")
	code, out, stderr := ebbline(t, "", "export", "--config", config, to)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "lines")
	folders, err := filepath.Glob(filepath.Join(to, "*"))
	require.NoError(t, err)
	require.Len(t, folders, 1, "the copy that was exported from is gone")
	code, _, stderr = ebbline(t, "", "export", "--config", config, to)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "exists", "nothing is overwritten")
	return config, folders[0]
}

// requireReplays replays an export: what it says begins or ends as the record
// does, whichever is shorter, event by event.
func requireReplays(t *testing.T, out, folder string) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(folder, "events.jsonl"))
	require.NoError(t, err)
	want, got := strings.Split(strings.TrimSpace(string(raw)), "\n"), strings.Split(strings.TrimSpace(out), "\n")
	require.Greater(t, len(got), 20)
	require.GreaterOrEqual(t, len(want), len(got), "a replay ends with its last line, the daemon goes on")
	requireSameLines(t, want[:len(got)], got)
}

// Law: an export is whole: replayed, it gives the events that were said live,
// with a swapped float, a sample struck out, a note and a crash among the readings.
func TestAnExportReplaysToTheSameEvents(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
	require.NoError(t, d.SetSensors(t.Context(), id, page.Swap{Time: time.Now(), Sensors: []string{"float-2"}}))
	later := pitched.Add(5 * time.Hour)
	d.floats(t, "float-1", later, 1.005, 4)
	d.floats(t, "float-2", later, 1.0125, 20)
	ph := 4.2
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: time.Now(), PH: &ph}))
	require.NoError(t, d.Note(t.Context(), id, page.Note{Time: time.Now(), Text: "smells of pears"}))
	d.awaits(t, id, func(st alert.State) bool { return st.PH != nil })
	entries, err := d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	sample := slices.IndexFunc(entries, func(e journal.Entry) bool { return e.Kind == journal.SampleEntry })
	require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: entries[sample].Seq, Time: time.Now()}))
	d.awaits(t, id, func(st alert.State) bool { return st.PH == nil })
	require.NoError(t, d.CrashStarted(t.Context(), id, time.Now(), "crash"))
	d.awaits(t, id, func(st alert.State) bool { return st.CrashStarted != nil })
	require.NoError(t, d.Close())
	config, folder := exported(t, data)
	code, out, stderr := ebbline(t, "", again(config, folder)...)
	require.Equal(t, exitDone, code, stderr)
	requireReplays(t, out, folder)
}

// again are the arguments that replay an export.
func again(config, folder string) []string {
	return []string{"replay", "--config", config, "--batch", filepath.Join(folder, "batch.yaml"), filepath.Join(folder, "capture.jsonl")}
}

// TestAnExportKeepsTheContract: a capture published live, exported and replayed
// is what the capture's own replay says.
func TestAnExportOfACaptureReplays(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(captures, "faults-02")
	batch, lines := timedBatch(t, dir), captureLines(t, dir)[:300]
	h := newResidence(t)
	h.quick = true // as the replays are, to the last bit
	p := h.serve(t, batch)
	publish(t, p.mqtt, "cellar/float-1", timed(t, lines))
	waitForBelief(t, p, lines[len(lines)-2].Time)
	p.term()
	config, folder := exported(t, h.data)
	out, err := quickly(t, again(config, folder)...).Output()
	require.NoError(t, err)
	requireReplays(t, string(out), folder)
	requireSameLines(t, replayed(t, batch, lines), strings.Split(strings.TrimSpace(string(out)), "\n"))
}
