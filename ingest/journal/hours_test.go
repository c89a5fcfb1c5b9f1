package journal

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// A file of format 1 has its hours binned when it is brought forward, and shows
// the same as before.
func TestHoursOfAnOlderFileAreBinned(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, FileName))
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), schemaV1+fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = 1; INSERT INTO series VALUES (7, 'float-1', 'gravity')", applicationID))
	require.NoError(t, err)
	begin := micros(noon)
	tx, err := db.BeginTx(t.Context(), nil)
	require.NoError(t, err)
	for i := range int64(500) {
		_, err = tx.ExecContext(t.Context(), "INSERT INTO reading VALUES (7, ?, 0, 0, ?, 0, ?)", begin+i*600e6, 1.01+float64(i%7)/1000, i+1)
		require.NoError(t, err)
	}
	require.NoError(t, tx.Commit())
	require.NoError(t, db.Close())

	j := openTest(t, dir, migrations())
	require.NoError(t, j.Check(t.Context()))
	to := noon.Add(500 * 10 * time.Minute)
	fine, err := j.Series(t.Context(), "float-1", ingest.Gravity, noon, to, 500)
	require.NoError(t, err)
	coarse, err := j.Series(t.Context(), "float-1", ingest.Gravity, noon, to, 20)
	require.NoError(t, err)
	require.Len(t, fine, 500, "a bucket a reading")
	require.Len(t, coarse, 20)
	for i, b := range coarse {
		want := Bin{Time: b.Time}
		for _, f := range fine[25*i : 25*(i+1)] {
			want = want.with(f)
		}
		want.Mean /= 25
		require.InDelta(t, want.Mean, b.Mean, 1e-12)
		want.Mean = b.Mean
		require.Equal(t, want, b)
	}
	var hours int
	require.NoError(t, j.onWriter(t, func(w *writer) error { return w.one("SELECT count(*) FROM hour", nil, &hours) }))
	require.Equal(t, 84, hours, "83 hours and 20 minutes")
}

// What makes no buckets is refused, and a batch that is not there has said
// nothing.
func TestLastEventsOfNoBuckets(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	for _, c := range []struct {
		to time.Time
		n  int
	}{{noon, 1}, {noon.Add(time.Hour), 0}, {noon.Add(time.Hour), MaxBuckets + 1}} {
		_, err := j.LastEvents(t.Context(), "pale-12", "estimate", noon, c.to, c.n)
		require.ErrorIs(t, err, ErrInvalid)
	}
	got, err := j.LastEvents(t.Context(), "pale-12", "estimate", noon, noon.Add(time.Hour), 5)
	require.NoError(t, err)
	require.Empty(t, got)
}
