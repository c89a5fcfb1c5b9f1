package main

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// leftAt is how many lines of its capture the daemons of testdata/journal-v*
// had read when they were stopped.
const leftAt = 110

// left unpacks the data folder that a daemon of this format has left.
func (h *residence) left(t *testing.T, folder string) {
	t.Helper()
	require.NoError(t, os.MkdirAll(h.data, 0o700))
	text := unpacked(t, filepath.Join(folder, journal.FileName+".gz"))
	require.NoError(t, os.WriteFile(filepath.Join(h.data, journal.FileName), text, 0o600))
}

// TestABatchGoesOnThroughAnUpgrade starts today's daemon on the folders that
// daemons of every format have left, a batch running and crash-now answered: from
// then on each says the same, and what was said before is as it was.
func TestABatchGoesOnThroughAnUpgrade(t *testing.T) {
	t.Parallel()
	folders, err := filepath.Glob("../../testdata/journal-v*")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(folders), 2)
	lines := captureLines(t, filepath.Join(captures, "plain-02"))
	news := lines[leftAt : leftAt+12]
	said := map[string][]string{}
	for _, folder := range folders {
		h := newResidence(t)
		h.quick = true // a belief of another version is made anew from the pitch
		h.left(t, folder)
		old := saidIn(t, copied(t, h.data))
		p := h.serve(t)
		requireReadyWithin10s(t, p)
		publish(t, h.mqtt, "cellar/float-1", timed(t, news))
		waitForBelief(t, p, news[len(news)-2].Time)
		require.Contains(t, p.get("/api/v1/alerts"), "crash-now/1")
		p.term()
		all := recorded(t, h.data)
		require.Equal(t, old, all[:len(old)], "%s: what was said stays", folder)
		said[folder] = all[len(old):]
	}
	for folder, is := range said {
		require.Equal(t, said[folders[0]], is, "%s and %s go on differently", folders[0], folder)
		require.GreaterOrEqual(t, strings.Count(strings.Join(is, ""), `"type":"estimate"`), 10)
		first := struct{ Time time.Time }{}
		require.NoError(t, json.Unmarshal([]byte(is[0]), &first))
		require.False(t, first.Time.Before(lines[leftAt-1].Time), "nothing is said twice")
	}
}

// copied is a copy of a data folder, so that looking into it changes nothing.
func copied(t *testing.T, data string) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS(data)))
	return dir
}

// saidIn is recorded with the folder let go of at once.
func saidIn(t *testing.T, data string) (lines []string) {
	t.Helper()
	t.Run("before", func(t *testing.T) { lines = recorded(t, data) })
	require.NotEmpty(t, lines)
	return lines
}

// TestAnOlderDaemonRefusesANewerFolder: one line that says what to do, and the
// record is left as it is.
func TestAnOlderDaemonRefusesANewerFolder(t *testing.T) {
	h := newResidence(t)
	h.left(t, "../../testdata/journal-v2")
	path := filepath.Join(h.data, journal.FileName)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	// The user version of a database: SQLite's "Database File Format", section 1.3.
	binary.BigEndian.PutUint32(before[60:], 99)
	require.NoError(t, os.WriteFile(path, before, 0o600))
	code, _, stderr := ebbline(t, "", "serve", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Equal(t, 1, strings.Count(stderr, "\n"), stderr)
	require.Contains(t, stderr, fmt.Sprintf("%s has format 99 and this ebbline knows formats up to ", path))
	require.Contains(t, stderr, "install the newer one, or restore a backup made before")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
}
