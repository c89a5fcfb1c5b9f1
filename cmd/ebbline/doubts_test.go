package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

const doubtful = `batch:
  name: Tern pale 5
  volume: 19 L
  original_gravity: 1.0155
  ceiling: 0.5
  pitched_at: 2026-03-02T18:00:00Z
  response_time: 30m
  crash: {to: 2 Cel, time_constant: 5h}
  sensors: []
`

// Law: a slip of the pen with which a crash would come hours late is noted with what,
// where and what to do, by check and by whatever starts the batch; what nobody means
// is not begun, but one that is recorded with it is watched on.
func TestWhatCanHardlyBeMeantIsNoted(t *testing.T) {
	t.Parallel()
	d := daemonAt(t, t.TempDir(), "")
	for name, c := range map[string]struct {
		old, changed, says string
		never              bool
	}{
		"as usual":     {"", "", "", false},
		"minutes":      {"time_constant: 5h", "time_constant: 5m", ":8:37: crash.time_constant: 19 L do not cool with a time constant of 5m (a refrigerator takes 5 to 10 h, with a fan 2.5 to 5 h, glycol 0.5 to 3 h), and crash-now would come hours too late; was 5h meant?", true},
		"quick":        {"time_constant: 5h", "time_constant: 20m", "crash.time_constant: 19 L do not cool with a time constant of 20m", false},
		"a small jug":  {"volume: 19 L\n  original_gravity: 1.0155\n  ceiling: 0.5\n  pitched_at: 2026-03-02T18:00:00Z\n  response_time: 30m\n  crash: {to: 2 Cel, time_constant: 5h", "volume: 1 L\n  original_gravity: 1.0155\n  ceiling: 0.5\n  pitched_at: 2026-03-02T18:00:00Z\n  response_time: 30m\n  crash: {to: 2 Cel, time_constant: 9m", "", false},
		"days":         {"time_constant: 5h", "time_constant: 50h", ":8:37: crash.time_constant: with a time constant of 50h the beer is not cold for days", false},
		"warm":         {"to: 2 Cel", "to: 20 Cel", ":8:15: crash.to: at 20 °C the yeast goes on; a crash goes to 0 to 5 °C. Was 2 Cel meant?", false},
		"above":        {"to: 2 Cel", "to: 16 Cel", "crash.to: 16 °C is not below the 15 °C at which the beer may ferment", true},
		"late":         {"response_time: 30m", "response_time: 30h", ":7:18: response_time: 30h pass from the notification until the crash starts, so the phone rings that much earlier, by a guess; was 30m meant?", false},
		"tiny":         {"ceiling: 0.5", "ceiling: 0.05", ":5:12: ceiling: 0.05 % ABV is passed in the first hours of a fermentation, before a float can tell; was 0.5 meant?", false},
		"strong":       {"1.0155", "1.080", ":4:21: original_gravity: 1.0800 is strong wort for a ceiling of 0.5 % ABV; was 1.0080 meant?", false},
		"strict, tiny": {"ceiling: 0.5", "ceiling: \"< 0.1\"", "ceiling: 0.1 % ABV is passed", false},
	} {
		path := filepath.Join(t.TempDir(), "b.yaml")
		text := strings.Replace(doubtful, c.old, c.changed, 1)
		text = strings.Replace(text, "Tern pale 5", "Tern "+name, 1) // a batch of its own
		if name == "above" {
			text += "  temperature: {low: 15 Cel, high: 20 Cel}\n"
		}
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		status, out, errs := check(t, "--offline", path)
		d.startFile(t.Context(), path)
		fault := d.folder.troubles[path].text
		switch {
		case c.never:
			require.Equal(t, exitUsage, status, name)
			require.Contains(t, errs, c.says)
			require.Contains(t, fault, c.says)
		case c.says != "":
			require.Equal(t, exitDone, status, errs)
			require.Contains(t, out, "note: "+path)
			require.Contains(t, out, c.says, name)
			require.Empty(t, fault)
		default:
			require.Equal(t, exitDone, status, errs)
			require.NotContains(t, strings.ReplaceAll(out, "note: pitched", ""), "note:", name)
		}
	}

	file, err := config.ParseBatch("b.yaml", []byte(strings.Replace(doubtful, "time_constant: 5h", "time_constant: 5m", 1)))
	require.NoError(t, err)
	file.Batch.ID = "recorded"
	require.Error(t, file.Impossible())
	_, err = d.journal.CreateBatch(t.Context(), journal.Batch{ID: "recorded", Name: "recorded", Spec: file.Raw, Started: file.Batch.PitchedAt})
	require.NoError(t, err)
	require.NoError(t, d.createBatch(t.Context(), file))
	form := doubtsOf(projection.Batch{Volume: 19, Crash: projection.Crash{To: 2, TimeConstant: file.Batch.Crash.TimeConstant}})
	require.Len(t, form, 1)
	require.True(t, form[0].Never)
	require.Equal(t, "time_constant", form[0].Field)
}

// Law: check says of a file without any text what serve says of it.
func TestCheckAndServeSayTheSameOfAnEmptyFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ebbline.yaml")
	for _, text := range []string{"", " \n\n"} {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err := config.Load(path)
		require.Error(t, err)
		status, out, errs := check(t, "--offline", path)
		require.Equal(t, exitUsage, status)
		require.Empty(t, out)
		require.Contains(t, errs, err.Error())
	}
	require.NoError(t, os.WriteFile(path, []byte("# all as by default\n"), 0o600))
	_, err := config.Load(path)
	require.NoError(t, err)
	status, _, errs := check(t, "--offline", path)
	require.Equal(t, exitDone, status, errs)
}
