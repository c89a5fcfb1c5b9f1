package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/deploy/quicktest"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

const thinning = twoFloats + "keep: {thin_after_days: 30}\n"

// longAgo leaves a record of a finished batch, a reading in each of so many
// minutes, and gives their number.
func longAgo(t *testing.T, data string, pitched time.Time, minutes int) int64 {
	t.Helper()
	file, err := config.ParseBatch("old.yaml", fmt.Appendf(nil, "%sbatch: {id: old-7, name: Old ale 7, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: %s, sensors: [float-1]}\n", twoFloats, pitched.Format(time.RFC3339)))
	require.NoError(t, err)
	j, err := journal.Open(data, journal.Options{})
	require.NoError(t, err)
	_, err = j.CreateBatch(t.Context(), journal.Batch{ID: "old-7", Name: "Old ale 7", Spec: file.Raw, Sensors: []string{"float-1"}, Started: pitched})
	require.NoError(t, err)
	var some []ingest.Reading
	for m := range minutes {
		at := pitched.Add(time.Duration(m) * time.Minute)
		some = append(some, ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: 1.0132 - float64(m)/4e5/float64(minutes/360)})
	}
	require.NoError(t, j.Record(t.Context(), some, nil))
	require.NoError(t, j.EndBatch(t.Context(), "old-7", pitched.Add(time.Duration(minutes+60)*time.Minute)))
	require.NoError(t, j.Close())
	return int64(len(some))
}

// A daemon told to thins what is old, says how much in the metric, and leaves a
// running batch alone; what is exported then says of itself that it was thinned,
// and so does its replay.
func TestOldReadingsAreThinned(t *testing.T) {
	t.Parallel()
	data, now := t.TempDir(), time.Now().UTC().Truncate(time.Hour)
	all := longAgo(t, data, now.AddDate(0, 0, -100), 360)
	d := daemonAt(t, data, thinning)
	require.Eventually(t, func() bool { return d.journal.Stats().Thinned > 0 }, time.Minute, 10*time.Millisecond)
	_, err := d.thinOnce(t.Context())
	require.NoError(t, err)
	st := d.journal.Stats()
	// 20 quarters of 15 rising minutes keep two each; the last hour is not over.
	require.Equal(t, [2]int64{20*2 + 60, 20 * 13}, [2]int64{st.Readings, st.Thinned})
	require.Equal(t, all, st.Readings+st.Thinned)
	families, err := newRegistry(d).Gather()
	require.NoError(t, err)
	told := math.NaN()
	for _, f := range families {
		if f.GetName() == "ebbline_readings_thinned_total" {
			told = f.GetMetric()[0].GetCounter().GetValue()
		}
	}
	require.InDelta(t, 260, told, 0)

	pitched := now.AddDate(0, 0, -31)
	_, err = d.StartBatch(t.Context(), fmt.Appendf(nil, `{batch: {name: Kiln mild 4, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: %q, sensors: [float-2]}}`, pitched.Format(time.RFC3339)))
	require.NoError(t, err)
	how, wanted, err := d.thinning(t.Context())
	require.NoError(t, err)
	require.True(t, wanted)
	require.Equal(t, pitched, how.Before.UTC())

	d.floats(t, "float-2", now.Add(-50*time.Hour), 1.0132, 190)
	require.NoError(t, d.lookAtSpace(t.Context()))
	space := slices.IndexFunc(d.health(), func(i page.HealthItem) bool { return i.Code == "space" })
	require.Regexp(t, `^The record holds 1 MB\. At the pace of its last week it grows by about \d+ MB a year; [\d.]+ GB are free on its disk\.$`, d.health()[space].Text)
	require.NoError(t, d.Close())

	configuration, to := configOf(t, data), t.TempDir()+"/out"
	code, out, stderr := ebbline(t, "", "export", "--config", configuration, "--batch", "old-7", to)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "old-7: 101 lines; its readings before "+now.AddDate(0, 0, -100).Add(5*time.Hour).Format(time.DateOnly)+" were thinned")
	code, _, stderr = ebbline(t, "", again(configuration, to+"/old-7")...)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stderr, "were thinned")
	code, out, stderr = ebbline(t, "", "check", "--data", "--offline", configuration)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "(260 older ones were thinned out)")
}

// The file does not shrink by itself. A copy holds no empty pages: put in its place
// while the daemon is stopped, as deploy/README.md says, it has all that was there.
func TestTheSpaceOfThinnedReadingsComesBack(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	data := t.TempDir()
	longAgo(t, data, time.Now().UTC().Truncate(time.Hour).AddDate(0, 0, -100), 10*1440)
	d := daemonAt(t, data, thinning)
	require.Eventually(t, func() bool { return d.journal.Stats().Thinned > 0 }, time.Minute, 10*time.Millisecond)
	_, err := d.thinOnce(t.Context())
	require.NoError(t, err)
	require.NoError(t, d.Close())
	record, small, old := filepath.Join(data, journal.FileName), filepath.Join(data, "small.db"), filepath.Join(data, "old.db")
	held, err := journal.Inspect(t.Context(), record)
	require.NoError(t, err)
	require.Less(t, held.Readings, held.Thinned)

	code, out, stderr := ebbline(t, "", "backup", "--config", configOf(t, data), small)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "the copy is sound")
	require.NoError(t, os.Rename(record, old))
	require.NoError(t, os.Rename(small, record))
	now, err := journal.Inspect(t.Context(), record)
	require.NoError(t, err)
	t.Logf("%d bytes, %d after the copy took its place", held.FileBytes, now.FileBytes)
	require.Less(t, now.FileBytes, held.FileBytes/2)
	held.FileBytes, now.FileBytes, held.Filled, now.Filled = 0, 0, 0, 0
	require.Equal(t, held, now)
	daemonAt(t, data, thinning).floats(t, "float-1", time.Now().Add(-time.Hour), 1.0132, 4) // it takes readings as before
}

// configOf is the file of a configuration that names the data folder.
func configOf(t *testing.T, data string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ebbline.yaml")
	require.NoError(t, os.WriteFile(path, fmt.Appendf(nil, "data: %s\n%s", data, thinning), 0o600))
	return path
}
