package main

import (
	"bytes"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
)

// A shelf that cannot be written to costs memory and nothing else; health says so
// until it can.
func TestAFullDiskKeepsWatchesInMemory(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	batch, lines := halting(t, "plain-02", 12)
	w := newWatchroom(t, batch, 0)
	d := &daemon{keeper: w.keeper}
	w.hear(lines[0])
	require.Nil(t, w.sole().watch)
	require.Empty(t, d.keeper.crowded())
	whole := w.shelf.file
	full, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
	require.NoError(t, err)
	w.entered(w.file.Batch.ID)
	require.NoError(t, w.wake(t.Context(), w.file.Batch.ID, w.sole()))
	w.shelf.file = full
	for _, l := range lines[1:8] {
		w.hear(l)
		require.NotNil(t, w.sole().watch)
	}
	require.Contains(t, d.keeper.crowded(), "no space left on device")
	require.NoError(t, full.Close())
	w.shelf.file, w.retry = whole, time.Time{}
	for _, l := range lines[8:] {
		w.hear(l)
	}
	require.Nil(t, w.sole().watch)
	require.Empty(t, d.keeper.crowded())
}

// Law: a shelf gives back what was put or an error, uses places again, and
// nobody else can read it.
func TestShelf(t *testing.T) {
	dir := t.TempDir()
	s := newShelf(dir)
	require.NoError(t, s.Close())
	part := func(n int, c byte) []byte { return bytes.Repeat([]byte{c}, n) }
	a, err := s.Put(part(70_000, 'a'))
	require.NoError(t, err)
	b, err := s.Put(part(10, 'b'))
	require.NoError(t, err)
	got, err := s.Get(a)
	require.NoError(t, err)
	require.Equal(t, part(70_000, 'a'), got)
	end := s.end
	s.Drop(a, a)
	_, err = s.Get(a)
	require.ErrorContains(t, err, "not put aside")
	c, err := s.Put(part(130_000, 'c'))
	require.NoError(t, err)
	require.Equal(t, end, s.end, "the place of the first is used again")
	for name, want := range map[int64][]byte{b: part(10, 'b'), c: part(130_000, 'c')} {
		got, err := s.Get(name)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	info, err := s.file.Stat()
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode())
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
	require.NoError(t, s.Close())
	_, err = s.Get(b)
	require.ErrorContains(t, err, "reading what was put aside")
	require.NotContains(t, err.Error(), dir)
}
