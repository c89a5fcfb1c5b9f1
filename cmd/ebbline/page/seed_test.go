package page

import (
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// seed is a record that many tests begin with, filled once: under the race
// detector that takes a second, and copying its file nothing.
type seed struct {
	once sync.Once
	file []byte
}

var empty, full seed //nolint:gochecknoglobals // filled once, then only read

// folder is a data folder of the test's own with a copy of the filled record in it, which
// is filled by the first who asks.
func (s *seed) folder(t testing.TB, fill func() *cellar) string {
	t.Helper()
	s.once.Do(func() {
		copied := filepath.Join(t.TempDir(), "seed")
		require.NoError(t, fill().journal.Backup(t.Context(), copied))
		var err error
		s.file, err = os.ReadFile(copied)
		require.NoError(t, err)
	})
	require.NotEmpty(t, s.file, "the test that was to fill it failed")
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, journal.FileName), s.file, 0o600))
	return dir
}
