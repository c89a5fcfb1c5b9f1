package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Law: what was changed is named as its owner knows it, the same at the start and
// by whoever reads it later.
func TestDamageIsNamedForPeople(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, everything(t), 0o600))
	s := scribbleIn(t, path)
	require.NoError(t, s.exec("UPDATE batch_sensor SET running = 7 WHERE place = 0"))
	require.NoError(t, s.exec("UPDATE entry SET entered = entered + 1"))
	require.NoError(t, s.exec("UPDATE meta SET value = value + 1"))
	require.NoError(t, s.exec("UPDATE cursor SET value = value + 1"))
	var seq int
	require.NoError(t, s.db.QueryRow("SELECT min(seq) FROM entry").Scan(&seq))
	require.NoError(t, s.db.Close())
	want := []string{
		entryNamed(seq, "a hand sample"), entryNamed(seq+1, "a note"), entryNamed(seq+2, "other sensors"),
		"how far mirror has read is not what was written",
		"sensor float-2 of batch wheat is not what was written", "sensor float-3 of batch rye is not what was written",
		"the number of readings is not what was written", "the number of readings thinned out is not what was written",
	}
	j := openTest(t, dir, migrations())
	require.Equal(t, want, j.Damaged())
	_, err := j.SoundEntries(t.Context(), "wheat")
	require.NoError(t, err)
	_, err = j.Cursor(t.Context(), "mirror")
	require.NoError(t, err)
	require.Equal(t, want, j.Damaged(), "none is named in two ways")
}

func entryNamed(seq int, kind string) string {
	return fmt.Sprintf("entry %d (%s) of batch wheat is not what was written", seq, kind)
}

// Law: a reading that is left out does not take others with it, however few are
// read at once.
func TestWhatIsLeftOutTakesNothingWithIt(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	_, err := j.CreateBatch(t.Context(), Batch{ID: "wheat", Started: noon, Sensors: []string{"float-1"}})
	require.NoError(t, err)
	for i := range 7 {
		require.NoError(t, j.Record(t.Context(), nth(60*i), nil))
	}
	_, err = j.AddEntry(t.Context(), Entry{Batch: "wheat", Kind: NoteEntry, Time: noon, Entered: noon})
	require.NoError(t, err)
	var want []float64
	for i := range 6 {
		want = append(want, nth(60 * (i + 1))[0].Value)
	}
	require.NoError(t, j.onWriter(t, func(w *writer) error { _, err := w.exec("UPDATE fresh SET crc = 7 WHERE seq = 1"); return err }))
	var values []float64
	entries, after := 0, int64(0)
	for {
		r, e, err := j.Inputs(t.Context(), "wheat", []string{"float-1"}, after, time.Time{}, 3)
		require.NoError(t, err)
		if len(r)+len(e) == 0 {
			break
		}
		for _, one := range r {
			values, after = append(values, one.Value), max(after, one.Seq)
		}
		for _, one := range e {
			entries, after = entries+1, max(after, one.Seq)
		}
	}
	require.Equal(t, want, values)
	require.Equal(t, 1, entries)
	require.Len(t, j.Damaged(), 1)
}

// Law: what is met while the record is open is told too; an entry that was changed
// and is struck out no longer counts as damage, and its batch can be read whole.
func TestAStruckEntryIsNoDamage(t *testing.T) {
	t.Parallel()
	dir, ctx := t.TempDir(), t.Context()
	j := openTest(t, dir, migrations())
	_, err := j.CreateBatch(ctx, Batch{ID: "wheat", Started: noon})
	require.NoError(t, err)
	enter := func(kind EntryKind, key string) int64 {
		seq, err := j.AddEntry(ctx, Entry{Batch: "wheat", Kind: kind, Time: noon, Entered: noon, Body: []byte(`{"Gravity":1.0144}`), Key: key})
		require.NoError(t, err)
		return seq
	}
	sample := enter(SampleEntry, "")
	scribble := func(seq int64) {
		path := filepath.Join(dir, FileName)
		s := scribbleIn(t, path)
		require.NoError(t, s.exec("UPDATE entry SET body = CAST('{\"Gravity\":1.0104}' AS BLOB) WHERE seq = ?", seq))
		require.NoError(t, s.db.Close())
	}
	scribble(sample)
	require.Empty(t, j.Damaged())
	_, err = j.SoundEntries(ctx, "wheat")
	require.NoError(t, err)
	require.Len(t, j.Damaged(), 1, "whoever reads it notices it")
	require.True(t, RestedOn(j.Damaged()[0]))
	_, err = j.Entries(ctx, "wheat")
	require.ErrorIs(t, err, ErrChanged)
	changed, err := j.ChangedEntries(ctx, "wheat")
	require.NoError(t, err)
	require.Len(t, changed, 1)
	require.Equal(t, sample, changed[0].Seq)
	require.Empty(t, changed[0].Body)

	strike := enter(StruckEntry, StrikeKey(sample))
	whole := func() {
		t.Helper()
		require.Empty(t, j.Damaged())
		require.NoError(t, j.Check(ctx))
		_, entries, err := j.Inputs(ctx, "wheat", nil, 0, time.Time{}, 0)
		require.NoError(t, err)
		require.Len(t, entries, 1)
		require.Equal(t, strike, entries[0].Seq)
		changed, err := j.ChangedEntries(ctx, "wheat")
		require.NoError(t, err)
		require.Empty(t, changed)
	}
	whole()
	require.NoError(t, j.Close())
	j = openTest(t, dir, migrations())
	whole()
	scribble(strike)
	require.ErrorIs(t, j.Check(ctx), ErrChanged, "a strike that was changed strikes nothing out")
	_, _, err = j.Inputs(ctx, "wheat", nil, 0, time.Time{}, 0)
	require.ErrorIs(t, err, ErrChanged)
}
