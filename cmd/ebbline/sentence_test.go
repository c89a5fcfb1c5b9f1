package main

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// Law: the page has the sentence of the last look at once; on disk, where a kill
// leaves it, it is hardly older than an hour of the batch's clock and is written
// far more rarely; after a stop it is the last one.
func TestTheSentenceOnDisk(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	said := func(j *journal.Journal) time.Time {
		raw, ok, err := j.Get(t.Context(), page.SentenceKey(id))
		require.NoError(t, err)
		require.True(t, ok)
		var p present
		require.NoError(t, json.Unmarshal([]byte(raw), &p))
		require.NotEmpty(t, p.Text)
		return p.Time
	}
	disk := func() time.Time { // what whoever finds the file reads
		dir := t.TempDir()
		require.NoError(t, d.journal.Backup(t.Context(), filepath.Join(dir, journal.FileName)))
		j, err := journal.Open(dir, journal.Options{})
		require.NoError(t, err)
		defer func() { require.NoError(t, j.Close()) }()
		return said(j)
	}
	const looks = 20
	times := map[time.Time]bool{}
	for i := range looks {
		at := pitched.Add(time.Duration(i+1) * 15 * time.Minute)
		d.floats(t, "float-1", at, 1.0132, 1)
		d.awaits(t, id, func(st alert.State) bool { return !st.Now.Before(at) })
		require.Eventually(t, func() bool { return at.Sub(said(d.journal)) <= 15*time.Minute }, time.Minute, time.Millisecond, "the page has it at once")
		kept := disk()
		require.LessOrEqual(t, at.Sub(kept), 75*time.Minute)
		times[kept] = true
	}
	require.Less(t, len(times), looks/2)
	last := said(d.journal)
	d.keeper.between <- func() { d.keeper.resting = time.Minute } // a loaded machine may need more than two seconds
	require.NoError(t, d.Close())
	j := openJournal(t, data)
	require.False(t, said(j).Before(last), "a stop loses none")
}
