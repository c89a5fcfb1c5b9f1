package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

// brokenDisk makes system calls of a running daemon on its record fail, as
// strace(1) of Debian injects them, until mend is called.
func brokenDisk(t *testing.T, p *process, data, inject string) (mend func()) {
	t.Helper()
	mend, out := tampered(t, p, inject, recordFiles(data)...)
	require.Eventually(t, func() bool { return traced(p.cmd.Process.Pid) }, longEnough, 10*time.Millisecond, "strace does not get hold of the daemon: %s", out)
	return mend
}

func recordFiles(data string) []string {
	record := filepath.Join(data, "ebbline.db")
	return []string{"-P", record, "-P", record + "-wal"}
}

// tampered begins to tamper with a running daemon's system calls. which, options
// of strace, narrows them down.
func tampered(t *testing.T, p *process, inject string, which ...string) (end func(), out *lockedBuffer) {
	t.Helper()
	calls, _, _ := strings.Cut(inject, ":")
	cmd := exec.Command("strace", append([]string{"-f", "-qq", "-o", "/dev/null", "-p", fmt.Sprint(p.cmd.Process.Pid), "-e", "trace=" + calls, "-e", "inject=" + inject}, which...)...)
	out = &lockedBuffer{}
	cmd.Stdout, cmd.Stderr = out, out
	require.NoError(t, cmd.Start(), "strace of Debian is needed: deploy/test.sh installs it")
	over := false
	end = func() {
		if !over {
			over = true
			_ = cmd.Process.Signal(os.Interrupt) // it lets go of the daemon
			_ = cmd.Wait()
		}
	}
	t.Cleanup(end)
	return end, out
}

// traced reports whether every thread of a process is held by a tracer.
func traced(pid int) bool {
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/status", pid))
	if err != nil || len(threads) == 0 {
		return false
	}
	for _, name := range threads {
		text, err := os.ReadFile(name)
		if err == nil && strings.Contains(string(text), "\nTracerPid:\t0\n") {
			return false
		}
	}
	return true
}

// TestDiskThatFails lets the disk of a running daemon fail in every way in a
// stream of readings: nothing is acknowledged that is not stored, health says so,
// the phone is told once, and all goes on without a restart.
func TestDiskThatFails(t *testing.T) {
	t.Parallel()
	s := newSink(t)
	h := newResidence(t)
	h.quick = true // strace makes it slow enough
	h.extra = countingSensor + fmt.Sprintf("notify: [{webhook: %q}]\n", s.URL+"/hook")
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	d := startDevice(t, p.mqtt)
	for i, c := range []struct{ fault, inject, says string }{
		{"full", "write,pwrite64:error=ENOSPC", "the disk is full"},
		{"bad block", "write,pwrite64:error=EIO", "the disk does not answer"},
		{"read-only", "write,pwrite64:error=EROFS", "the disk does not answer"}, // SQLite does not tell it from the one before
		{"sync fails", "fsync,fdatasync:error=EIO", "the disk does not answer"},
	} {
		time.Sleep(800 * time.Millisecond)
		mend := brokenDisk(t, p, h.data, c.inject)
		begun := time.Now()
		require.Eventually(t, func() bool { return strings.Contains(p.get("/readyz"), c.says) }, longEnough, 20*time.Millisecond, "%s: %s", c.fault, p.get("/readyz"))
		t.Logf("%s: said after %v", c.fault, time.Since(begun).Round(10*time.Millisecond))
		if i == 0 {
			require.Eventually(t, func() bool { return len(s.of("cannot-record")) > 0 }, longEnough, 20*time.Millisecond, "the phone must be told")
			status, said := logIn(t, p)
			require.Equal(t, http.StatusServiceUnavailable, status, said)
			require.Contains(t, said, "The record cannot be written: the disk is full, free some space. Nothing of what you just sent was stored")
		}
		mend()
		requireReadyWithin10s(t, p)
	}
	time.Sleep(time.Second)
	d.requireEachOnce(t, p, h.data)
	told := s.of("cannot-record")
	for i := range told[1:] { // none, unless the machine takes more than ten minutes for this
		require.GreaterOrEqual(t, raisedAt(t, told[i+1]).Sub(raisedAt(t, told[i])), outcryQuiet, "however often it fails within minutes")
	}
	require.Equal(t, "urgent", told[0].Body["severity"])
	require.Contains(t, told[0].Body["message"], "the disk is full, free some space")
}

// logIn is what the page answers to the right password.
func logIn(t *testing.T, p *process) (status int, said string) {
	t.Helper()
	resp, err := http.PostForm(p.page+"/login", url.Values{"password": {firstPassword(t, p)}})
	require.NoError(t, err)
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(body)
}

func raisedAt(t *testing.T, c hookCall) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, fmt.Sprint(c.Body["time"]))
	require.NoError(t, err)
	return at
}

// A file system that is read-only at the start ends the daemon at once, with the
// reason and what to do.
func TestAReadOnlyDiskAtTheStart(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.serve(t).term()
	exe, err := os.Executable()
	require.NoError(t, err)
	p := program(t)
	p.Path, err = exec.LookPath("strace")
	require.NoError(t, err, "strace of Debian is needed: deploy/test.sh installs it")
	p.Args = []string{"strace", "-f", "-qq", "-o", "/dev/null", "-P", filepath.Join(h.data, "lock"), "-e", "trace=openat", "-e", "inject=openat:error=EROFS", exe, "serve", "--config", h.config(t)}
	out, err := p.CombinedOutput()
	var status *exec.ExitError
	require.ErrorAs(t, err, &status, "%s", out)
	require.Equal(t, exitFailed, status.ExitCode())
	require.Equal(t, 1, strings.Count(string(out), "\n"), "one line: %s", out)
	require.Contains(t, string(out), "read-only file system; mount it for writing, or name another folder in the configuration (data)")
	require.Contains(t, string(out), h.data)
}

// takes is a channel that takes what it is told, or refuses.
type takes struct {
	name    string
	refuses error
	told    []deliver.Note
}

func (c *takes) Name() string { return c.name }
func (c *takes) Send(_ context.Context, n deliver.Note) error {
	if c.refuses == nil {
		c.told = append(c.told, n)
	}
	return c.refuses
}

// broken is an outcry of a record that turns ill and well, by a clock that passes.
type broken struct {
	*outcry
	t           *testing.T
	at          time.Time
	h           journal.Health
	tried       int
	dead, phone *takes
}

func newBroken(t *testing.T) *broken {
	t.Helper()
	b := &broken{t: t, at: pitchDay(), dead: &takes{name: "dead", refuses: errors.New("refused")}, phone: &takes{name: "phone"}}
	b.turns(true)
	b.outcry = &outcry{
		patience: unwrittenPatience, insists: true, title: "It cannot be written", now: func() time.Time { return b.at }, log: slog.New(slog.DiscardHandler),
		ladder: func() []deliver.Rung { return []deliver.Rung{{Channel: b.dead}, {Channel: b.phone}} },
		problem: func(ctx context.Context) string {
			return unwritten(ctx, func() journal.Health { return b.h }, func(context.Context) error { b.tried++; return nil })
		},
	}
	return b
}

func (b *broken) pass(d time.Duration) {
	for range int(d / time.Second) {
		b.at = b.at.Add(time.Second)
		b.look(b.t.Context())
	}
}

func (b *broken) turns(ok bool) {
	b.h = journal.Health{OK: ok, Since: b.at, Problem: map[bool]string{false: "The disk is full."}[ok]}
}

// titles are what the phone was told since the last call.
func (b *broken) titles() (all []string) {
	for _, n := range b.phone.told {
		require.Contains(b.t, n.Alert.Message, "The disk is full.")
		all = append(all, n.Alert.Title)
	}
	b.phone.told = nil
	return all
}

// Law: an outage of the record is told after five seconds, by the first channel
// that takes it, and once only while it comes and goes within minutes; after ten
// minutes in which it was well the next one is told as the first was.
func TestAnUnwrittenRecordIsToldOnce(t *testing.T) {
	b := newBroken(t)
	b.pass(time.Hour)
	require.Zero(t, b.tried, "a record that is well is not written for this")
	b.turns(false)
	b.pass(4 * time.Second)
	require.Empty(t, b.titles())
	b.pass(9 * time.Minute)
	require.Greater(t, b.tried, 500)
	first := b.phone.told
	require.Len(t, b.titles(), 1)
	for range 20 { // comes and goes
		b.turns(true)
		b.pass(time.Minute)
		b.turns(false)
		b.pass(time.Minute)
	}
	require.Empty(t, b.titles())
	b.turns(true)
	b.pass(11 * time.Minute)
	b.turns(false)
	b.phone.refuses = errors.New("refused")
	b.pass(2 * time.Minute)
	b.phone.refuses = nil
	b.pass(2 * time.Minute)
	require.Len(t, b.phone.told, 1)
	require.NotEqual(t, first[0].Alert.ID, b.phone.told[0].Alert.ID)
	require.Equal(t, []string{"It cannot be written"}, b.titles())
}

// Law: while the record cannot be written nothing insists but this, so one that lasts
// is told every hour; an outage soon after another is told once it has lasted for ten
// minutes; one that comes and goes for hours is told every hour.
func TestAnUnwrittenRecordThatLastsIsToldAgain(t *testing.T) {
	b := newBroken(t)
	b.pass(time.Minute)
	b.turns(false)
	b.pass(10 * time.Second)
	require.Equal(t, []string{"It cannot be written"}, b.titles())
	b.turns(true)
	b.pass(2 * time.Minute)
	b.turns(false)
	b.pass(10*time.Minute - time.Second)
	require.Empty(t, b.titles())
	b.pass(2 * time.Second)
	require.Equal(t, []string{"Again: It cannot be written"}, b.titles())
	b.pass(59 * time.Minute)
	require.Empty(t, b.titles())
	b.pass(2*time.Hour + 2*time.Minute)
	keys := map[string]bool{}
	for _, n := range b.phone.told {
		keys[n.Key()] = true
	}
	require.Len(t, keys, 3, "a receiver does not take them for one")
	require.Equal(t, slices.Repeat([]string{"Still: It cannot be written"}, 3), b.titles())

	for range 5 * 30 { // five hours
		b.turns(true)
		b.pass(time.Minute)
		b.turns(false)
		b.pass(time.Minute)
	}
	require.Equal(t, slices.Repeat([]string{"Again: It cannot be written"}, 5), b.titles())
	b.turns(true)
	b.pass(24 * time.Hour)
	require.Empty(t, b.titles())

	b.insists = false // what can be answered elsewhere
	b.turns(false)
	b.pass(24 * time.Hour)
	require.Len(t, b.titles(), 1)
}
