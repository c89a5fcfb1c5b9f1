// Package journaltest opens journals for tests and checks the store after
// every one of them.
package journaltest

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// Open gives a journal in a folder of the test's own. When the test ends the
// store is checked and closed; the test fails if it is damaged.
func Open(t testing.TB) *journal.Journal {
	t.Helper()
	return OpenIn(t, t.TempDir())
}

// OpenIn is Open for a folder, such as one used before. The test may close the
// journal itself; then it checks it itself.
func OpenIn(t testing.TB, dir string) *journal.Journal {
	t.Helper()
	Begin(t, dir)
	j, err := journal.Open(dir, journal.Options{Logger: slog.New(slog.NewTextHandler(t.Output(), nil))})
	require.NoError(t, err)
	t.Cleanup(func() {
		// Not t.Context(): that has ended by now.
		if h := j.Health(); h.OK && !closed(j) {
			require.NoError(t, j.Check(context.Background()), "the store after the test")
		}
		require.NoError(t, j.Close())
	})
	return j
}

// Begin puts an empty record into a folder that has none: to make one takes a third
// of a second with the race detector on.
func Begin(t require.TestingT, dir string) {
	path := filepath.Join(dir, journal.FileName)
	if _, err := os.Stat(path); err == nil {
		return
	}
	raw, err := empty()
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(dir, 0o700))
	require.NoError(t, os.WriteFile(path, raw, 0o600))
}

// empty is the file of a record that holds nothing.
var empty = sync.OnceValues(func() (raw []byte, err error) { //nolint:gochecknoglobals // made once for all tests
	dir, err := os.MkdirTemp("", "ebbline-empty")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	j, err := journal.Open(dir, journal.Options{})
	if err != nil {
		return nil, err
	}
	if err := j.Close(); err != nil {
		return nil, err
	}
	return os.ReadFile(filepath.Join(dir, journal.FileName))
})

func closed(j *journal.Journal) bool {
	c, stop := j.Changes()
	defer stop()
	select {
	case _, open := <-c:
		return !open
	default:
		return false
	}
}
