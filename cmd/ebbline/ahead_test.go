package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
)

// Law: a batch that is pitched in the future is refused where it starts and by
// check, with its place; a daemon that has it recorded comes up all the same.
func TestABatchPitchedInTheFuture(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(ahead time.Duration) string {
		path := filepath.Join(dir, "b.yaml")
		text := fmt.Sprintf("batch:\n  name: Tern pale 3\n  volume: 10 L\n  original_gravity: 1.012\n  ceiling: 0.5\n  pitched_at: %s\n  sensors: []\n",
			time.Now().Add(ahead).UTC().Format(time.RFC3339))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	path := write(363*24*time.Hour + time.Minute)
	want := path + ":6:15: pitched_at lies 363 days ahead; write when you pitched, with its zone"
	status, _, errs := check(t, "--offline", path)
	require.Equal(t, exitUsage, status)
	require.Contains(t, errs, want)

	data := filepath.Join(dir, "data")
	d := daemonAt(t, data, "")
	d.startFile(t.Context(), path)
	require.Contains(t, d.folder.troubles[path].text, want)
	batches, err := d.journal.Batches(t.Context())
	require.NoError(t, err)
	require.Empty(t, batches)
	_, err = d.StartBatch(t.Context(), []byte(`{batch: {name: Tern pale 4, volume: 10 L, original_gravity: 1.012, ceiling: 0.5, pitched_at: 2999-01-01T00:00:00Z, sensors: []}}`))
	require.ErrorContains(t, err, "pitched_at lies")

	for ahead, words := range map[time.Duration]string{5*time.Hour + time.Minute: "5 h", 20*time.Minute + 30*time.Second: "20 min"} {
		_, _, errs = check(t, "--offline", write(ahead))
		require.Contains(t, errs, "pitched_at lies "+words+" ahead")
	}
	path = write(2 * time.Minute) // as a phone's clock may be
	status, _, errs = check(t, "--offline", path)
	require.Equal(t, exitDone, status, errs)
	d.startFile(t.Context(), path)
	require.Empty(t, d.folder.troubles)
	require.NoError(t, d.Close())

	file, err := config.LoadBatch(path)
	require.NoError(t, err)
	cfg, err := config.Parse("ebbline.yaml", fmt.Appendf(nil, "data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n", data), func(string) (string, bool) { return "", false })
	require.NoError(t, err)
	early := new(steppedClock)
	early.set(time.Now().Add(-30 * 24 * time.Hour)) // a machine that comes up with last month's clock
	d, err = startDaemon(t.Context(), cfg, early, true, slog.New(slog.DiscardHandler), file)
	require.NoError(t, err)
	require.NoError(t, d.Close())
}
