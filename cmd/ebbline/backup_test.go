package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// Law: a backup taken while readings stream in opens, checks clean, and replays
// to the beliefs that were held.
func TestABackupUnderLoadReplaysToTheSameBeliefs(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	ctx, enough := context.WithCancel(t.Context())
	defer enough()
	var streams sync.WaitGroup
	fault := make(chan error, 2)
	stream := func(float string, step time.Duration, n int) {
		streams.Go(func() {
			for i := 0; i < n && ctx.Err() == nil; i++ {
				at := pitched.Add(time.Duration(i) * step)
				err := d.stored(context.WithoutCancel(ctx), ingest.Message{Topic: "cellar/" + float, Payload: fmt.Appendf(nil, `{"g": %.5f, "ts": %d}`, 1.0132-float64(i)*step.Hours()/5e3, at.Unix()), Arrived: time.Now()})
				if err != nil {
					fault <- err
					return
				}
			}
		})
	}
	stream("float-1", 15*time.Minute, 40)
	stream("float-2", time.Second, 30_000) // no batch's: the load
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
	configuration, copied := configOf(t, data), filepath.Join(t.TempDir(), "friday.db")
	before := d.journal.Stats().Readings
	code, out, stderr := ebbline(t, "", "backup", "--config", configuration, copied)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "the copy is sound")
	require.Eventually(t, func() bool { return d.journal.Stats().Readings > before || len(fault) > 0 }, time.Minute, time.Millisecond, "it was under load")
	enough()
	streams.Wait()
	require.Empty(t, fault)
	require.NoError(t, d.Close())

	again := t.TempDir()
	configuration = configOf(t, again)
	code, out, stderr = ebbline(t, "", "restore", "--config", configuration, copied)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "is sound")
	code, out, stderr = ebbline(t, "", "check", "--data", "--offline", configuration)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, ", 1 batch (1 running)")
	to := filepath.Join(t.TempDir(), "taken")
	code, _, stderr = ebbline(t, "", "export", "--config", configuration, to)
	require.Equal(t, exitDone, code, stderr)
	folder := filepath.Join(to, fileSafe(id))
	code, out, stderr = ebbline(t, "", "replay", "--config", configuration, "--batch", filepath.Join(folder, "batch.yaml"), filepath.Join(folder, "capture.jsonl"))
	require.Equal(t, exitDone, code, stderr)
	raw, err := os.ReadFile(filepath.Join(folder, "events.jsonl"))
	require.NoError(t, err)
	held, said := strings.Split(strings.TrimSpace(string(raw)), "\n"), strings.Split(strings.TrimSpace(out), "\n")
	n := min(len(held), len(said)) // the copy may hold readings that the watch had yet to read
	require.Greater(t, n, 20)
	requireSameLines(t, held[:n], said[:n])
}

// A path that cannot be used is told with what to do about it.
func TestAPathThatCannotBeUsedIsToldWithAWayOut(t *testing.T) {
	t.Parallel()
	data, there := t.TempDir(), filepath.Join(t.TempDir(), "there")
	require.NoError(t, os.MkdirAll(there, 0o700))
	openJournal(t, data)
	for _, c := range []struct{ command, data, to, says string }{
		{"backup", data, there, "give a name that does not exist yet"},
		{"export", data, there, "give a name that does not exist yet"},
		{"backup", filepath.Join(data, "none"), filepath.Join(there, "x"), "--config names the daemon's own configuration"},
		{"export", filepath.Join(data, "none"), filepath.Join(there, "x"), "--config names the daemon's own configuration"},
	} {
		code, _, stderr := ebbline(t, "", c.command, "--config", configOf(t, c.data), c.to)
		require.NotEqual(t, exitDone, code)
		require.Contains(t, stderr, c.says, c.command)
	}
}

// A disk that is full where the copy is written to: the record was blamed, which is only
// read.
func TestAFullDiskOfACopyIsNotTheRecords(t *testing.T) {
	data, disk := t.TempDir(), t.TempDir()
	require.NoError(t, openJournal(t, data).Set(t.Context(), "long", strings.Repeat("x", 3<<20)))
	strace, err := exec.LookPath("strace")
	require.NoError(t, err, "strace of Debian is needed: deploy/test.sh installs it")
	for _, command := range []string{"backup", "export"} {
		// What SQLite writes finds no room; the message, by write, comes through.
		p := program(t, command, "--config", configOf(t, data), filepath.Join(disk, "copy"))
		p.Args = append([]string{"strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=pwrite64", "-e", "inject=pwrite64:error=ENOSPC"}, p.Args...)
		p.Path = strace
		out, err := p.CombinedOutput()
		var failed *exec.ExitError
		require.ErrorAs(t, err, &failed, "%s", out)
		require.Equal(t, exitFailed, failed.ExitCode(), "%s", out)
		stderr := string(out)
		require.Contains(t, stderr, "the disk that the copy is written to is full, free some space there or write to another disk", command)
		require.Contains(t, stderr, disk, command)
		require.NotContains(t, stderr, "read the record", command)
		left, err := os.ReadDir(disk)
		require.NoError(t, err)
		require.Empty(t, left, "nothing is left of it")
	}
	text := pathHint(intoFile(filepath.Join(disk, "capture.jsonl"), func(io.Writer) error {
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
		require.NoError(t, err)
		defer func() { require.NoError(t, full.Close()) }()
		_, err = full.WriteString("a reading")
		return err
	}))
	require.ErrorContains(t, text, "/dev/full: no space left on device")
	require.ErrorContains(t, text, "the disk that is written to is full; free some space there or write to another disk")
}

// A brewer without a configuration checks the record that the daemon keeps in the default
// folder; a configuration may be named as the other commands of the record take it.
func TestTheRecordIsCheckedWithoutAConfiguration(t *testing.T) {
	state := t.TempDir()
	t.Setenv("STATE_DIRECTORY", "")
	t.Setenv("XDG_STATE_HOME", state)
	code, _, stderr := ebbline(t, "", "check", "--data")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, filepath.Join(state, "ebbline"))
	require.Contains(t, stderr, "look whether the path is right")

	of := func(data, name string) {
		j, err := journal.Open(data, journal.Options{})
		require.NoError(t, err)
		_, err = j.CreateBatch(t.Context(), journal.Batch{ID: name, Name: name, Started: time.Now()})
		require.NoError(t, errors.Join(err, j.Close()))
	}
	of(filepath.Join(state, "ebbline"), "one")
	other := t.TempDir()
	of(other, "one")
	of(other, "two")
	code, out, stderr := ebbline(t, "", "check", "--data")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "is sound")
	require.Contains(t, out, ", 1 batch (1 running)")
	code, out, stderr = ebbline(t, "", "check", "--data", "--offline", "--config", configOf(t, other))
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "2 batches (2 running)")
	code, _, stderr = ebbline(t, "", "check")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "no file to check")
}
