package journal_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// Law: what is restored is what was copied, and nothing is overwritten.
func TestRestoreGivesBackWhatWasCopied(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := journaltest.Open(t)
	require.NoError(t, j.Record(t.Context(), []ingest.Reading{
		reading("float-1", ingest.Gravity, 0, 1.0132), reading("float-1", ingest.Gravity, time.Hour, 1.0130), reading("float-1", ingest.Temperature, 0, 19),
	}, nil))
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat", Started: time.Now()})
	require.NoError(t, err)
	copied := filepath.Join(dir, "friday.db")
	require.NoError(t, j.Backup(t.Context(), copied))

	to := filepath.Join(dir, "new")
	held, err := journal.Restore(t.Context(), copied, to)
	require.NoError(t, err)
	require.EqualValues(t, 3, held.Readings)
	require.Equal(t, 1, held.Batches)
	require.Equal(t, 1, held.Running)
	require.Equal(t, time.Hour, held.Last.Sub(held.First))
	again := journaltest.OpenIn(t, to)
	all, err := again.Readings(t.Context(), "float-1", ingest.Gravity, time.Time{}, time.Time{}, 0)
	require.NoError(t, err)
	require.Len(t, all, 2)

	_, err = journal.Restore(t.Context(), copied, to)
	require.ErrorContains(t, err, "not overwritten")
	held, err = journal.Inspect(t.Context(), filepath.Join(to, journal.FileName))
	require.NoError(t, err, "a file that is open is checked too")
	require.EqualValues(t, 3, held.Readings)
}

// Law: what is no sound copy is refused with a reason, and leaves nothing behind.
func TestOnlySoundCopiesAreRestored(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := journaltest.Open(t)
	for i := range 200 {
		require.NoError(t, j.Record(t.Context(), []ingest.Reading{reading("float-1", ingest.Gravity, time.Duration(i)*time.Minute, 1.0132)}, nil))
	}
	good := filepath.Join(dir, "good.db")
	require.NoError(t, j.Backup(t.Context(), good))
	raw, err := os.ReadFile(good)
	require.NoError(t, err)
	for name, c := range map[string]struct {
		data   []byte
		reason string
	}{
		"empty":    {nil, "empty"},
		"text":     {[]byte("this is no database, however long it may be, and never was one"), "damaged"},
		"cut":      {raw[:len(raw)/2], "damaged"},
		"scribble": {append(append(append([]byte{}, raw[:len(raw)/2]...), make([]byte, 8192)...), raw[len(raw)/2+8192:]...), "damaged"},
	} {
		bad := filepath.Join(dir, name+".db")
		require.NoError(t, os.WriteFile(bad, c.data, 0o600))
		to := filepath.Join(dir, name)
		_, err := journal.Restore(t.Context(), bad, to)
		require.ErrorContains(t, err, c.reason, name)
		if c.reason == "damaged" {
			require.ErrorContains(t, err, "this copy is damaged", name)
			require.ErrorContains(t, err, ": choose another one", name)
			require.NotContains(t, err.Error(), "malformed", name)
		}
		require.NoFileExists(t, filepath.Join(to, journal.FileName), name)
	}
	_, err = journal.Restore(t.Context(), filepath.Join(dir, "none.db"), filepath.Join(dir, "x"))
	require.ErrorIs(t, err, os.ErrNotExist)
}
