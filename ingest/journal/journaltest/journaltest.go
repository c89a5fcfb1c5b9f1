// Package journaltest opens journals for tests and checks the store after
// every one of them.
package journaltest

import (
	"context"
	"log/slog"
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
