package main

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// sampled closes two batches, each with a hand sample and a note that no watch has read.
func (v twoVats) sampled(t *testing.T) {
	t.Helper()
	require.NoError(t, v.start(t).Close())
	j, err := journal.Open(v.cfg.Data, journal.Options{})
	require.NoError(t, err)
	for i, f := range v.files {
		for k, body := range []string{fmt.Sprintf(`{"Gravity":1.01%d4}`, 4-i), fmt.Sprintf(`{"text":"pears %d"}`, i)} {
			at, kind := time.Now().Add(-time.Hour), []journal.EntryKind{journal.SampleEntry, journal.NoteEntry}[k]
			_, err := j.AddEntry(t.Context(), journal.Entry{Batch: f.Batch.ID, Kind: kind, Time: at, Entered: at, Body: []byte(body)})
			require.NoError(t, err)
		}
	}
	require.NoError(t, errors.Join(j.Check(t.Context()), j.Close()))
}

// Law: a backup of a damaged record does not look like one, and none that is there
// is touched.
func TestABackupOfADamagedRecordIsNone(t *testing.T) {
	t.Parallel()
	v := newTwoVats(t)
	v.sampled(t)
	configuration, to := configOf(t, v.cfg.Data), t.TempDir()
	good, bad := filepath.Join(to, "friday.db"), filepath.Join(to, "saturday.db")
	code, _, stderr := ebbline(t, "", "backup", "--config", configuration, good)
	require.Equal(t, exitDone, code, stderr)
	before, err := os.ReadFile(good)
	require.NoError(t, err)

	v.scribble(t, `"Gravity":1.0144`, `"Gravity":1.0104`)
	for range 2 { // the second leaves alone what the first has set aside
		code, out, stderr := ebbline(t, "", "backup", "--config", configuration, bad)
		require.Equal(t, exitFailed, code)
		require.Empty(t, out)
		for _, says := range []string{"entry 1 (a hand sample) of batch " + v.files[0].Batch.ID, bad + ".damaged", "keep the older backups", "ebbline export", "restore a backup"} {
			require.Contains(t, stderr, says)
		}
		require.NoFileExists(t, bad)
		require.FileExists(t, bad+".damaged")
	}
	code, _, _ = ebbline(t, "", "backup", "--config", configuration, good)
	require.Equal(t, exitFailed, code)
	after, err := os.ReadFile(good)
	require.NoError(t, err)
	require.Equal(t, before, after)
	left, err := filepath.Glob(filepath.Join(to, "*"))
	require.NoError(t, err)
	require.Equal(t, []string{good, bad + ".damaged"}, left)
	code, _, stderr = ebbline(t, "", "restore", "--config", configOf(t, filepath.Join(to, "new")), bad+".damaged")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "this copy is damaged")

	record := filepath.Join(v.cfg.Data, journal.FileName) // not a row, but pages
	raw, err := os.ReadFile(record)
	require.NoError(t, err)
	clear(raw[len(raw)/4 : len(raw)/2])
	require.NoError(t, os.WriteFile(record, raw, 0o600))
	code, _, stderr = ebbline(t, "", "backup", "--config", configuration, filepath.Join(to, "sunday.db"))
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "the record is damaged")
	require.NoFileExists(t, filepath.Join(to, "sunday.db"))
}

// Law: of a record that is gone all commands say the same, and an export that
// cannot begin leaves no folder behind.
func TestCommandsSayTheSameOfARecordThatIsGone(t *testing.T) {
	t.Parallel()
	const (
		lost  = "stop the daemon, move the file away and keep it, and restore a backup"
		empty = "the file is empty, and there was something in it before"
		gone  = "the record is gone (ebbline.db is not there, and there was one before)"
	)
	h := newResidence(t)
	h.serve(t).term()
	record, configuration := filepath.Join(h.data, journal.FileName), h.config(t)
	whole, err := os.ReadFile(record)
	require.NoError(t, err)
	for _, c := range []struct {
		name   string
		left   []byte
		begun  bool
		serves bool
		says   []string
		not    string
	}{
		{"gone", nil, true, true, []string{gone, "restore a backup"}, lost},
		{"empty", nil, true, false, []string{"the record is damaged (" + empty + ")", lost}, "first start"},
		{"cut off", whole[:len(whole)/2], true, false, []string{"the record is damaged", lost}, "first start"},
		{"a first start cut short", nil, false, true, []string{"the file is empty: there is no record in it", "starting ebbline again goes on from it"}, lost},
	} {
		if !c.begun {
			require.NoError(t, os.Remove(record+".begun"))
		}
		require.NoError(t, os.WriteFile(record, c.left, 0o600))
		if c.name == "gone" {
			require.NoError(t, os.Remove(record))
		}
		to := t.TempDir()
		for _, args := range [][]string{
			{"serve"}, {"check", "--data", "--offline", configuration}, {"backup", filepath.Join(to, "friday.db")}, {"export", filepath.Join(to, "taken")},
		} {
			if args[0] == "serve" && c.serves {
				continue
			}
			if args[0] != "check" {
				args = append(args, "--config", configuration)
			}
			code, _, stderr := ebbline(t, "", args...)
			require.Equal(t, exitFailed, code, "%s, %s", c.name, args)
			for _, says := range c.says {
				require.Contains(t, stderr, says, "%s, %s", c.name, args)
			}
			require.NotContains(t, stderr, c.not, "%s, %s", c.name, args)
			if args[0] == "export" {
				require.True(t, strings.HasPrefix(stderr, "ebbline: nothing is exported: read the record in "+h.data), stderr)
			}
		}
		left, err := os.ReadDir(to)
		require.NoError(t, err)
		require.Empty(t, left, c.name)
	}
}

// Law: of a record in which entries alone have changed it is said first that they
// can be struck out, where the page offers that, and that helps; a restore, which
// loses what came since the backup, is the second way.
func TestChangedEntriesAreStruckOutFirst(t *testing.T) {
	t.Parallel()
	const strike, restore = "strike it out or correct it on the page of its batch", "restore a backup"
	v := newTwoVats(t)
	v.sampled(t)
	configuration := configOf(t, v.cfg.Data)
	says := func(first bool) {
		t.Helper()
		for _, args := range [][]string{{"check", "--data", "--offline", configuration}, {"backup", "--config", configuration, filepath.Join(t.TempDir(), "friday.db")}} {
			code, _, stderr := ebbline(t, "", args...)
			require.Equal(t, exitFailed, code)
			require.Contains(t, stderr, restore)
			if !first {
				require.NotContains(t, stderr, strike)
				continue
			}
			require.Contains(t, stderr, strike)
			require.Less(t, strings.Index(stderr, strike), strings.Index(stderr, restore), stderr)
			require.Contains(t, stderr, "Nothing else is lost by that")
		}
	}
	v.scribble(t, `"Gravity":1.0144`, `"Gravity"!1.0144`) // no JSON any more, but told of once
	says(true)
	code, _, stderr := ebbline(t, "", "check", "--data", "--offline", configuration)
	require.Equal(t, exitFailed, code)
	require.Equal(t, 1, strings.Count(stderr, "entry 1"), stderr)

	j, err := journal.Open(v.cfg.Data, journal.Options{})
	require.NoError(t, err)
	_, err = j.AddEntry(t.Context(), journal.Entry{Batch: v.files[0].Batch.ID, Kind: journal.StruckEntry, Key: journal.StrikeKey(1), Time: time.Now(), Entered: time.Now(), Body: []byte(`{"seq":1}`)})
	require.NoError(t, errors.Join(err, j.EndBatch(t.Context(), v.files[1].Batch.ID, time.Now()), j.Close()))
	code, _, stderr = ebbline(t, "", "check", "--data", "--offline", configuration)
	require.Equal(t, exitDone, code, stderr)

	v.scribble(t, "pears 1", "beers 1")
	says(true)
	v.scribble(t, `"Gravity":1.0134`, `"Gravity":1.0114`) // of a batch that is over: the page strikes out notes only
	says(false)
}

// Law: export writes all that is sound, names what it left out, and says so by its
// status; a batch that is whole does not suffer from another's damage.
func TestAnExportOfADamagedRecordWritesTheRest(t *testing.T) {
	t.Parallel()
	v := newTwoVats(t)
	v.sampled(t)
	v.scribble(t, `"Gravity":1.0144`, `"Gravity":1.0104`)
	first, second := v.files[0].Batch.ID, v.files[1].Batch.ID
	configuration := configOf(t, v.cfg.Data)
	export := func(more ...string) (to string, code int, out, stderr string) {
		to = filepath.Join(t.TempDir(), "taken")
		code, out, stderr = ebbline(t, "", append([]string{"export", "--config", configuration, to}, more...)...)
		return to, code, out, stderr
	}
	reads := func(parts ...string) string {
		raw, err := os.ReadFile(filepath.Join(parts...))
		require.NoError(t, err)
		return string(raw)
	}
	for _, only := range [][]string{nil, {"--batch", first}} {
		to, code, out, stderr := export(only...)
		require.Equal(t, exitFailed, code, stderr)
		require.Contains(t, out, first+": 1 lines")
		require.Contains(t, stderr, "not everything is exported")
		require.Contains(t, stderr, "entry 1 (a hand sample) of batch "+first+" is not what was written")
		require.Contains(t, stderr, "ebbline restore")
		require.NotContains(t, stderr, second)
		capture := reads(to, first, "capture.jsonl")
		require.Contains(t, capture, "pears 0")
		require.NotContains(t, capture, "Gravity")
		require.FileExists(t, filepath.Join(to, first, "events.jsonl"))
		require.NotEmpty(t, reads(to, first, "batch.yaml"))
		if only == nil {
			require.Contains(t, reads(to, second, "capture.jsonl"), `"Gravity":1.0134`)
		}
	}
	to, code, _, stderr := export("--batch", second)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, reads(to, second, "capture.jsonl"), `"Gravity":1.0134`)
	_, code, _, stderr = export("--batch", "none")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "the record has 2")

	v.scribble(t, `"ceiling":"0.5"`, `"ceiling":"0.7"`)
	to, code, _, stderr = export("--batch", second)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "the description of batch "+second+" is not what was written")
	require.Contains(t, stderr, "without it its readings are not written")
	require.Contains(t, reads(to, second, "capture.jsonl"), "pears 1")
	require.FileExists(t, filepath.Join(to, second, "events.jsonl"))
	require.NoFileExists(t, filepath.Join(to, second, "batch.yaml"))
	_, code, out, stderr := export()
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, first+": 1 lines")
	require.Contains(t, stderr, "entry 1 (a hand sample)")
	require.Contains(t, stderr, "the description of batch "+second)
}

// Law: who stops a daemon while it starts has stopped it: no error, and no words of
// the libraries.
func TestAStartThatIsStopped(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	exe, err := os.Executable()
	require.NoError(t, err)
	p := program(t)
	p.Path, err = exec.LookPath("strace")
	require.NoError(t, err, "strace of Debian is needed: deploy/test.sh installs it")
	p.Args = append([]string{"strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fsync,fdatasync", "-e", "inject=fsync,fdatasync:signal=TERM:when=1"}, append(recordFiles(h.data), exe, "serve", "--config", h.config(t))...)
	out, err := p.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.NotContains(t, string(out), "context canceled")
	require.Contains(t, string(out), "stopped")
	h.serve(t).term()
}

// Law: a start without the record that was there goes on with a new one, watches
// what stands in files, and says so: in the log, in health, once to the phone, and by
// every command that looks at the record, until a backup is restored.
func TestARecordThatIsGoneIsTold(t *testing.T) {
	t.Parallel()
	v := newTwoVats(t)
	configuration, made := configOf(t, v.cfg.Data), filepath.Join(t.TempDir(), "friday.db")
	d := v.start(t)
	require.NoError(t, d.Close())
	require.Empty(t, anewWords(v.cfg.Data, time.UTC))
	code, _, stderr := ebbline(t, "", "backup", "--config", configuration, made)
	require.Equal(t, exitDone, code, stderr)
	record := filepath.Join(v.cfg.Data, journal.FileName)
	require.NoError(t, os.Remove(record))

	v.files = v.files[:1] // the other one was made on the page
	for start := range 2 {
		var log lockedBuffer
		d, err := startDaemon(t.Context(), v.cfg, wallClock{}, false, slog.New(slog.NewTextHandler(&log, nil)), v.files...)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, d.Close()) })
		require.Equal(t, start == 0, strings.Contains(log.String(), "the record is gone, and a new one is begun"))
		require.Equal(t, []string{v.files[0].Batch.ID}, d.keeper.ids())
		require.Contains(t, d.anewHealth()[0].Text, "restore a backup (ebbline restore)")
		require.Contains(t, fmt.Sprint(d.health()), d.anewHealth()[0].Text)
		require.Eventually(t, func() bool {
			_, told, err := d.journal.Get(t.Context(), anewKey)
			return err == nil && told
		}, longEnough, 20*time.Millisecond, "it is told by itself")
		o, now := d.outcries()[3], time.Now()
		o.now = func() time.Time { now = now.Add(time.Minute); return now }
		for range 60 {
			o.look(t.Context())
		}
		told := v.sink.of("cannot-watch")
		require.Len(t, told, 1, "once")
		require.Equal(t, "urgent", told[0].Body["severity"])
		require.Contains(t, told[0].Body["message"], "look at the beer yourself. The record was gone when ebbline started")
		require.NoError(t, d.Close())
	}
	to := t.TempDir()
	says := func(gone bool) {
		t.Helper()
		for _, args := range [][]string{
			{"check", "--data", "--offline", configuration}, {"backup", "--config", configuration, filepath.Join(to, "sunday.db")}, {"export", "--config", configuration, filepath.Join(to, "taken")},
		} {
			code, out, stderr := ebbline(t, "", args...)
			require.Equal(t, exitDone, code, stderr)
			require.Equal(t, gone, strings.Contains(out, "! The record was gone when ebbline started"), out)
		}
	}
	says(true)
	require.NoError(t, os.Remove(record))
	code, out, stderr := ebbline(t, "", "restore", "--config", configuration, made)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, "2 batches")
	to = t.TempDir()
	says(false)
}
