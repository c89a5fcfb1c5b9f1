package journal

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/ingest"
)

// written is a closed journal's file with so many readings, one a minute, of known values.
func written(t *testing.T, readings int) []byte {
	t.Helper()
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	for i := 0; i < readings; i += 100 {
		many := []ingest.Reading{}
		for k := range 100 {
			many = append(many, nth(60*(i+k))...)
		}
		require.NoError(t, j.Record(t.Context(), many, nil))
	}
	require.NoError(t, j.Close())
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	return whole
}

// outcome of opening a damaged file.
type outcome struct {
	refused error // by Open
	failed  error // by Check or reading
	wrong   int   // values read that nobody wrote
	missing int   // readings that are not there and nothing says so
}

// tryDamaged opens a damaged file as the daemon does and reads all of it. A
// refused file must be left as it is, and what is said must name it and the way
// back.
func tryDamaged(t *testing.T, file []byte, readings int) (o outcome) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, file, 0o600))
	j, err := Open(dir, Options{})
	if err != nil {
		require.ErrorContains(t, err, dir)
		require.NotErrorIs(t, err, ErrInUse)
		left, readErr := os.ReadFile(path)
		require.NoError(t, readErr)
		require.Equal(t, file, left, "the original is kept: %v", err)
		return outcome{refused: err}
	}
	defer func() { _ = j.Close() }()
	all, err := j.Readings(t.Context(), "float-1", ingest.Gravity, time.Time{}, noon.AddDate(1, 0, 0), 1<<30)
	o.failed = errors.Join(err, j.Check(t.Context()))
	for _, r := range all {
		if i := int(r.Time.Sub(noon) / time.Second); nth(max(0, i))[0].Value != r.Value || !r.Time.Equal(nth(max(0, i))[0].Time) {
			o.wrong++
		}
	}
	o.missing = readings - len(all)
	return o
}

// Law: a file cut off anywhere, at every kilobyte here, is refused with its name
// and the way back, and kept; none is taken for the record of less.
func TestAFileCutOffIsRefused(t *testing.T) {
	const readings = 1500
	whole := written(t, readings)
	require.Equal(t, outcome{}, tryDamaged(t, whole, readings))
	cuts := 0
	for n := 1024; n < len(whole); n += 1024 {
		o := tryDamaged(t, whole[:n], readings)
		require.Error(t, o.refused, "cut to %d of %d bytes", n, len(whole))
		require.ErrorContains(t, o.refused, "keep it, and restore a backup", "cut to %d of %d bytes", n, len(whole))
		cuts++
	}
	t.Logf("%d cuts of a file of %d bytes, all refused", cuts, len(whole))
	require.Greater(t, cuts, 100)
}

// Law: flipped bits never panic or hang; damage is refused, or found by Check, and
// no number that nobody wrote is given.
func TestFlippedBitsAreRefusedOrFound(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	const readings, flips = 500, 200
	whole := written(t, readings)
	rnd := rand.New(rand.NewPCG(8, 3))
	var refused, found, harmless int
	for range flips {
		file := append([]byte(nil), whole...)
		file[rnd.IntN(len(file))] ^= 1 << rnd.IntN(8)
		o := tryDamaged(t, file, readings)
		require.Zero(t, o.wrong)
		switch {
		case o.refused != nil:
			refused++
		case o.failed != nil:
			found++
		default:
			require.Zero(t, o.missing)
			harmless++
		}
	}
	t.Logf("%d flips: %d refused, %d found by the check, %d in free space or unread", flips, refused, found, harmless)
	require.Positive(t, refused)
	require.Positive(t, found)
}

// Law: the same of a record with batches, entries, events, alerts and settings.
func TestFlippedBitsOfTextsAreRefusedOrFound(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	whole, dir := everything(t), t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, whole, 0o600))
	want := told(t, dir)
	rnd := rand.New(rand.NewPCG(8, 4))
	var refused, found, harmless int
	for range 100 {
		file := append([]byte(nil), whole...)
		at, bit := rnd.IntN(len(file)), rnd.IntN(8)
		file[at] ^= 1 << bit
		for _, end := range []string{"-wal", "-shm"} {
			require.NoError(t, os.RemoveAll(path+end))
		}
		require.NoError(t, os.WriteFile(path, file, 0o600))
		_, check := Inspect(t.Context(), path)
		j, err := Open(dir, Options{})
		if err != nil {
			refused++
			continue
		}
		require.NoError(t, j.Close())
		lines, failed := tolds(dir)
		same := 0
		for line := range lines {
			if want[line] {
				same++
				continue
			}
			require.True(t, strings.HasPrefix(line, damageTold) || strings.Contains(line, "cannot be read any more"), "bit %d of byte %d: told %s", bit, at, line)
		}
		switch {
		case check != nil:
			found++
		default:
			require.NoError(t, failed)
			require.Equal(t, len(want), same, "bit %d of byte %d: something is missing", bit, at)
			harmless++
		}
	}
	t.Logf("100 flips: %d refused, %d found by the check, %d in free space or unread", refused, found, harmless)
	require.Positive(t, found)
}

// A number of an hour that is over, a text, or a bin that is changed in the file
// itself is found by the check, with its place; thinned hours stay sound.
func TestChangedNumbersAreFoundByTheCheck(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	for _, c := range []struct{ change, found string }{
		{"UPDATE reading SET value = value + 0.001 WHERE time = (SELECT min(time) FROM reading)", "gravity of float-1 in the hour from 2026-03-02T12:00:00Z"},
		{"UPDATE reading SET time = time + 7200000001 WHERE time = (SELECT min(time) FROM reading)", "gravity of float-1 in the hour from 2026-03-02T12:00:00Z"},
		{"UPDATE hour SET greatest = greatest + 1 WHERE hour = (SELECT max(hour) FROM hour)", "in the hour from"},
		{"DELETE FROM hour WHERE hour = (SELECT min(hour) FROM hour)", "60 readings in hours of which nothing is known"},
		{"UPDATE entry SET body = CAST('{\"gravity\":1,01}' AS BLOB)", "entry 501 is no JSON"},
	} {
		j := openTest(t, t.TempDir(), migrations())
		for i := range 500 {
			require.NoError(t, j.Record(t.Context(), nth(60*i), nil))
		}
		created, err := j.CreateBatch(t.Context(), Batch{ID: "b", Spec: []byte("{}"), Started: noon})
		require.NoError(t, err)
		require.True(t, created)
		_, err = j.AddEntry(t.Context(), Entry{Batch: "b", Kind: "sample", Time: noon, Entered: noon, Body: []byte(`{"gravity":1.01}`)})
		require.NoError(t, err)
		require.NoError(t, j.Check(t.Context()))
		require.NoError(t, j.onWriter(t, func(w *writer) error { _, err := w.exec(c.change); return err }))
		require.ErrorContains(t, j.Check(t.Context()), c.found, c.change)
	}
}
