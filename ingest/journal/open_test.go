package journal_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// pitch is when the batches of these tests begin.
var pitch = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

func reading(sensor string, q ingest.Quantity, after time.Duration, value float64) ingest.Reading {
	return ingest.Reading{Sensor: sensor, Quantity: q, Time: pitch.Add(after), Arrived: pitch.Add(after + time.Second), Value: value, DeviceTime: true}
}

func TestWhatIsStoredIsThereAfterReopening(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.OpenIn(t, dir)
	in := []ingest.Reading{
		reading("float-1", ingest.Gravity, 0, 1.0132),
		reading("float-1", ingest.Temperature, 0, 19.6),
		{Sensor: "probe", Quantity: ingest.Temperature, Time: pitch, Arrived: pitch, Value: -0.5, Uncorrected: true, Repeated: true},
	}
	require.NoError(t, j.Record(t.Context(), in, nil))
	require.NoError(t, j.Close())

	j = journaltest.OpenIn(t, dir)
	stored, err := j.ReadingsAfter(t.Context(), 0, 0)
	require.NoError(t, err)
	require.Len(t, stored, 3)
	for i, s := range stored {
		require.Equal(t, in[i], s.Reading)
		require.EqualValues(t, i+1, s.Seq)
	}
	require.EqualValues(t, 3, j.Stats().Readings)
	require.EqualValues(t, 3, j.Stats().LastSeq)
	last, ok, err := j.LastReading(t.Context(), "float-1", ingest.Gravity)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, in[0], last.Reading)
	require.NoError(t, j.Record(t.Context(), in, nil))
	require.EqualValues(t, 3, j.Stats().Readings, "the same readings again")
}

func TestSecondJournalOnAFolderFailsAtOnce(t *testing.T) {
	dir := t.TempDir()
	journaltest.OpenIn(t, dir)
	_, err := journal.Open(dir, journal.Options{})
	require.ErrorIs(t, err, journal.ErrInUse)
	require.ErrorContains(t, err, "by process ")
}
