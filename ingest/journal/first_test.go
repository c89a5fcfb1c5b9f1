package journal_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// Law: a first start that was killed, at whatever call on its files, leaves what
// the next start goes on from.
func TestAFirstStartCutShortGoesOn(t *testing.T) {
	t.Parallel()
	for _, at := range []string{
		"openat:when=2", "pwrite64:when=1", "pwrite64:when=3", "pwrite64:when=5", "pwrite64:when=8", "pwrite64:when=20",
		"fsync,fdatasync:when=1", "fsync,fdatasync:when=2", "fsync,fdatasync:when=3", "ftruncate:when=1", "unlink,unlinkat:when=1",
	} {
		t.Run(at, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := filepath.Join(dir, journal.FileName)
			calls, when, _ := strings.Cut(at, ":")
			args := []string{"-f", "-qq", "-o", "/dev/null", "-e", "trace=" + calls, "-e", "inject=" + calls + ":signal=KILL:" + when}
			for _, end := range []string{"", "-wal", "-shm", "-journal"} {
				args = append(args, "-P", path+end)
			}
			cmd := exec.Command("strace", append(args, os.Args[0])...)
			// strace counts the calls of each thread, so the one that is meant may never come.
			cmd.Env = append(os.Environ(), victimFolder+"="+dir, victimLasts+"=20")
			out, err := cmd.CombinedOutput()
			var status *exec.ExitError
			require.ErrorAs(t, err, &status, "strace of Debian is needed: deploy/test.sh installs it; %s", out)
			require.True(t, status.Sys().(syscall.WaitStatus).Signaled() || status.ExitCode() > 128, "it was killed: %v: %s", err, out)
			if strings.HasSuffix(at, "=1") { // a later call of a thread may come after the start
				_, err = journal.Inspect(t.Context(), path)
				require.ErrorContains(t, err, "starting ebbline again goes on from it")
			}
			j, err := journal.Open(dir, journal.Options{})
			require.NoError(t, err)
			require.NoError(t, j.Check(t.Context()))
			require.Empty(t, j.Damaged())
			require.NoError(t, j.Close())
		})
	}
}

// Law: an empty file is a first start only where there was no record before.
func TestAnEmptyFileWhereARecordWas(t *testing.T) {
	t.Parallel()
	for name, before := range map[string]func(t *testing.T, path string){
		"a start that came to its end": func(t *testing.T, path string) {
			t.Helper()
			j, err := journal.Open(filepath.Dir(path), journal.Options{})
			require.NoError(t, err)
			require.NoError(t, j.Close())
		},
		"a log": func(t *testing.T, path string) {
			t.Helper()
			require.NoError(t, os.WriteFile(path+"-wal", make([]byte, 100), 0o600))
		},
		"a copy of an older format": func(t *testing.T, path string) {
			t.Helper()
			require.NoError(t, os.WriteFile(path+".v3", make([]byte, 100), 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := filepath.Join(dir, journal.FileName)
			before(t, path)
			require.NoError(t, os.WriteFile(path, nil, 0o600))
			seen := folder(t, dir)
			for range 2 {
				_, err := journal.Open(dir, journal.Options{})
				require.ErrorIs(t, err, journal.ErrChanged)
				require.ErrorContains(t, err, dir)
				require.ErrorContains(t, err, "the file is empty, and there was something in it before")
				require.ErrorContains(t, err, "move the file away and keep it, and restore a backup")
			}
			require.Equal(t, seen, folder(t, dir), "all is left as it was")
			for _, end := range []string{"", "-wal"} {
				require.NoError(t, os.RemoveAll(path+end))
			}
			j, err := journal.Open(dir, journal.Options{})
			require.NoError(t, err, "who has moved it away begins anew")
			require.NoError(t, j.Close())
		})
	}
}

// folder is what lies in a folder, but for the lock.
func folder(t *testing.T, dir string) map[string]int64 {
	t.Helper()
	all, err := os.ReadDir(dir)
	require.NoError(t, err)
	sizes := map[string]int64{}
	for _, f := range all {
		info, err := f.Info()
		require.NoError(t, err)
		if f.Name() != "lock" {
			sizes[f.Name()] = info.Size()
		}
	}
	return sizes
}
