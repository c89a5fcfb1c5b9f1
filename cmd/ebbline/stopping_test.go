package main

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// Law: what a watch says while the daemon is being stopped is written down, or
// said again by the next daemon; it never counts as said without being written.
// And a stop waits for one look only, however many are due.
func TestWhatIsSaidWhileStoppingIsNotLost(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, time.Hour)
	file, err := config.LoadBatch(b.batch)
	require.NoError(t, err)
	mapper, err := ingest.Compile(file.Sensors)
	require.NoError(t, err)
	var readings []ingest.Reading
	for _, l := range b.lines {
		got, refused := mapper.Decode(ingest.Message{Topic: "cellar/float-1", Payload: []byte(l), Arrived: time.Now()})
		require.Empty(t, refused)
		readings = append(readings, got...)
	}
	for range 4 { // whether an ended context keeps a write back is for the runtime to draw
		j, err := journal.Open(t.TempDir(), journal.Options{})
		require.NoError(t, err)
		record := journal.Batch{ID: file.Batch.ID, Name: file.Batch.Name, Spec: file.Raw, Sensors: file.Batch.Sensors, Started: file.Batch.PitchedAt}
		_, err = j.CreateBatch(t.Context(), record)
		require.NoError(t, err)
		require.NoError(t, j.Record(t.Context(), readings, nil))
		watch := func(ctx context.Context, moved func()) {
			k := newKeeper(j, wallClock{}, t.TempDir(), nil, slog.New(slog.DiscardHandler))
			k.moved = moved
			require.NoError(t, k.open(t.Context(), record))
			k.round(ctx)
			k.rest(ctx)
		}
		ctx, stop := context.WithCancel(t.Context())
		steps := 0
		watch(ctx, func() { steps++; stop() })
		require.Equal(t, 1, steps)
		watch(t.Context(), func() {})
		alerts, err := j.Alerts(t.Context(), file.Batch.ID, false)
		require.NoError(t, err)
		rang := 0
		for _, a := range alerts {
			if a.Kind == string(alert.CrashNow) {
				rang++
			}
		}
		require.Equal(t, 1, rang)
		require.NoError(t, j.Close())
	}
}
