package main

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// A batch whose readings are all of before catches up from the moment it is known
// until its watch has come to the present; one that waits for its first reading
// does not.
func TestABatchCatchesUpUntilItIsInThePresent(t *testing.T) {
	t.Parallel()
	batch := filepath.Join(captures, "plain-02", "batch.yaml")
	w, waiting := newWatchroom(t, batch, mostAwake), newWatchroom(t, batch, mostAwake)
	id, now := w.file.Batch.ID, w.file.Batch.PitchedAt.Add(36*time.Hour)
	for _, l := range captureLines(t, filepath.Join(captures, "plain-02"))[:20] {
		readings, _ := w.mapper.Decode(ingest.Message{Topic: l.Topic, Payload: l.Payload, Arrived: l.Time})
		require.NoError(t, w.journal.Record(t.Context(), readings, nil))
	}
	w.clock.set(now)
	require.True(t, w.catchingUp(id), "nothing of it has been read yet")
	w.at(now)
	require.True(t, w.catchingUp(id), "more may be coming in")
	w.at(now.Add(firstIdle + time.Minute))
	require.False(t, w.catchingUp(id))
	waiting.at(now)
	require.False(t, waiting.catchingUp(id))
	require.False(t, w.catchingUp("no such batch"))
}
