package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ebbline/ingest"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func openTest(t *testing.T, dir string, steps []string) *Journal {
	t.Helper()
	j, err := open(dir, Options{}, steps)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	return j
}

func nth(i int) []ingest.Reading {
	at := noon.Add(time.Duration(i) * time.Second)
	return []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: float64(i)}}
}

// onWriter runs f where the writer works, as a caller's write.
func (j *Journal) onWriter(t *testing.T, f func(w *writer) error) error {
	t.Helper()
	return j.change(t.Context(), f)
}

func TestFullDiskIsSaidAndSurvived(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	require.NoError(t, j.Record(t.Context(), nth(0), nil))
	var pages int
	require.NoError(t, j.onWriter(t, func(w *writer) error { return w.one("PRAGMA page_count", nil, &pages) }))
	limit := func(n int) error {
		return j.onWriter(t, func(w *writer) error { return w.one(fmt.Sprintf("PRAGMA max_page_count = %d", n), nil, new(int)) })
	}
	require.NoError(t, limit(pages))

	stored, failed := 1, error(nil)
	for ; failed == nil; stored++ {
		require.Less(t, stored, 10_000, "the disk fills up")
		failed = j.Record(t.Context(), nth(stored), nil)
	}
	stored--
	require.ErrorContains(t, failed, "the disk is full")
	var unwritten *ErrUnwritten
	require.ErrorAs(t, failed, &unwritten)
	require.Equal(t, "the disk is full, free some space", unwritten.Why())
	require.False(t, unwritten.Unsure, "none of it is in the record")
	h := j.Health()
	require.False(t, h.OK)
	require.Contains(t, h.Problem, "not acknowledged")
	require.Contains(t, h.Problem, "free some space")
	require.EqualValues(t, 1, j.Stats().Failed)

	// All that wait with the failing one get its error; reading goes on.
	waits := []func(context.Context) error{j.Enqueue(t.Context(), nth(stored), nil), j.Enqueue(t.Context(), nth(stored+1), nil)}
	for _, wait := range waits {
		require.Error(t, wait(t.Context()))
	}
	last, ok, err := j.LastReading(t.Context(), "float-1", ingest.Gravity)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, stored-1, int(last.Value))

	require.ErrorContains(t, j.Set(t.Context(), "long", strings.Repeat("x", 1<<20)), "the disk is full")
	require.False(t, j.Health().OK, "nor is it well when another write meets the full disk")

	// Even lifting the limit is a write of its own group.
	require.NoError(t, limit(1<<30))
	require.NoError(t, j.Record(t.Context(), append(nth(stored), nth(stored+1)...), nil))
	require.True(t, j.Health().OK)
	require.Empty(t, j.Health().Problem)
	require.EqualValues(t, stored+2, j.Stats().Readings)
	require.NoError(t, j.Check(t.Context()))
}

// A record that is moved, deleted or replaced under the running daemon takes nothing
// more: it would be written well, and be gone at the next start.
func TestARecordThatIsTakenAwayTakesNothing(t *testing.T) {
	whole := filepath.Join(t.TempDir(), "whole.db")
	for name, c := range map[string]struct {
		away, back func(path string) error // back: nil, a restart is wanted
		says       string
	}{
		"folder moved": {
			func(path string) error { return os.Rename(filepath.Dir(path), filepath.Dir(path)+".old") },
			func(path string) error { return os.Rename(filepath.Dir(path)+".old", filepath.Dir(path)) }, "was moved or deleted",
		},
		"file moved": {
			func(path string) error { return os.Rename(path, path+".old") },
			func(path string) error { return os.Rename(path+".old", path) }, "was moved or deleted",
		},
		"log deleted":               {func(path string) error { return os.Remove(path + "-wal") }, nil, "-wal was moved or deleted"},
		"folder deleted":            {func(path string) error { return os.RemoveAll(filepath.Dir(path)) }, nil, "was moved or deleted"},
		"a backup put in its place": {func(path string) error { return os.Rename(whole, path) }, nil, "was replaced by another file"},
	} {
		t.Run(name, func(t *testing.T) {
			j := openTest(t, filepath.Join(t.TempDir(), "data"), migrations())
			require.NoError(t, j.Record(t.Context(), nth(0), nil))
			_ = os.Remove(whole)
			require.NoError(t, j.Backup(t.Context(), whole))
			require.NoError(t, c.away(j.path))
			for range 2 {
				err := j.Record(t.Context(), nth(1), nil)
				require.ErrorContains(t, err, c.says)
				var unwritten *ErrUnwritten
				require.ErrorAs(t, err, &unwritten)
				require.Contains(t, unwritten.Why(), c.says)
				require.Equal(t, name == "log deleted", unwritten.Unsure, "known only after the last step")
				require.Contains(t, j.Health().Problem, c.says)
			}
			if c.back == nil {
				return
			}
			require.NoError(t, c.back(j.path))
			require.NoError(t, j.Record(t.Context(), nth(1), nil))
			require.True(t, j.Health().OK)
			require.EqualValues(t, 2, j.Stats().Readings)
			require.NoError(t, j.Check(t.Context()))
		})
	}
}

// A group in which the connection is given up fails whole; the next one opens
// another, and the lock of the failed transaction is not left behind.
func TestLostConnectionIsReplaced(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	require.NoError(t, j.Record(t.Context(), nth(0), nil))
	err := j.onWriter(t, func(w *writer) error {
		w.discard()
		return errors.New("the card was pulled")
	})
	require.Error(t, err)
	require.False(t, j.Health().OK)
	require.NoError(t, j.Record(t.Context(), nth(1), nil))
	require.True(t, j.Health().OK)
	require.EqualValues(t, 2, j.Stats().Readings)
	require.EqualValues(t, 2, j.Stats().LastSeq)
}

// One caller's refused write does not touch the others of its group.
func TestRefusedWriteLeavesItsGroupAlone(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	release := make(chan struct{})
	holding := &op{do: func(*writer) error { <-release; return nil }}
	require.NoError(t, j.put(t.Context(), holding))
	before := j.Enqueue(t.Context(), nth(0), nil)
	refused := &op{do: func(w *writer) error {
		if _, err := w.exec("INSERT INTO cursor (name, value) VALUES ('left over', 1)"); err != nil {
			return err
		}
		return ErrNotFound
	}}
	require.NoError(t, j.put(t.Context(), refused))
	after := j.Enqueue(t.Context(), nth(1), nil)
	close(release)
	require.NoError(t, j.await(t.Context(), holding))
	require.NoError(t, before(t.Context()))
	require.ErrorIs(t, j.await(t.Context(), refused), ErrNotFound)
	require.NoError(t, after(t.Context()))
	require.EqualValues(t, 2, j.Stats().Readings)
	left, err := j.Cursor(t.Context(), "left over")
	require.NoError(t, err)
	require.Zero(t, left)
}

func TestCallerThatGivesUpDoesNotTearTheGroup(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	release := make(chan struct{})
	holding := &op{do: func(*writer) error { <-release; return nil }}
	require.NoError(t, j.put(t.Context(), holding))
	ctx, cancel := context.WithCancel(t.Context())
	hurried := j.Enqueue(t.Context(), nth(0), nil)
	cancel()
	require.ErrorIs(t, hurried(ctx), context.Canceled)
	close(release)
	require.NoError(t, j.Record(t.Context(), nth(1), nil))
	require.EqualValues(t, 2, j.Stats().Readings, "the impatient one's reading is stored all the same")
}

func TestCloseCommitsWhatWaits(t *testing.T) {
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	var waits []func(context.Context) error
	for i := range 900 {
		waits = append(waits, j.Enqueue(t.Context(), nth(i), nil))
	}
	require.NoError(t, j.Close())
	for _, wait := range waits {
		require.NoError(t, wait(t.Context()))
	}
	require.ErrorIs(t, j.Record(t.Context(), nth(1), nil), ErrClosed)
	require.EqualValues(t, 900, openTest(t, dir, migrations()).Stats().Readings)
}

func TestFolderAndFilesAreTheOwnersAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state", "ebbline")
	j := openTest(t, dir, migrations())
	require.NoError(t, j.Record(t.Context(), nth(0), nil))
	require.NoError(t, j.Backup(t.Context(), filepath.Join(dir, "copy.db")))
	for name, want := range map[string]os.FileMode{".": 0o700, FileName: 0o600, FileName + "-wal": 0o600, FileName + "-shm": 0o600, lockName: 0o600, "copy.db": 0o600} {
		info, err := os.Stat(filepath.Join(dir, name))
		require.NoError(t, err)
		require.Equal(t, want, info.Mode().Perm(), name)
	}
}

func TestOlderFileIsBroughtForwardAndACopyKept(t *testing.T) {
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	require.NoError(t, j.Record(t.Context(), nth(0), nil))
	require.NoError(t, j.Close())
	now := len(migrations())

	// A step that fails half-way leaves all as it was, and no copy.
	broken := append(migrations(), "CREATE TABLE later (x); INSERT INTO nowhere VALUES (1)")
	_, err := open(dir, Options{}, broken)
	require.ErrorContains(t, err, fmt.Sprintf("from format %d to %d (nothing was changed)", now, now+1))
	kept, err := filepath.Glob(filepath.Join(dir, "*.v*"))
	require.NoError(t, err)
	require.Empty(t, kept)

	next := append(migrations(), "CREATE TABLE later (x INTEGER) STRICT; INSERT INTO later SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM fresh)")
	j = openTest(t, dir, next)
	var counted int
	require.NoError(t, j.onWriter(t, func(w *writer) error { return w.one("SELECT x FROM later", nil, &counted) }))
	require.Equal(t, 1, counted)
	require.NoError(t, j.Close())

	_, err = open(dir, Options{}, migrations())
	require.ErrorIs(t, err, ErrNewer)
	require.ErrorContains(t, err, fmt.Sprintf("has format %d and this ebbline knows formats up to %d", now+1, now))
	require.NoError(t, openTest(t, dir, next).Close(), "the refusal changed nothing")

	// The copy, put into a folder of its own, is the journal as it was.
	back := t.TempDir()
	require.NoError(t, os.Rename(filepath.Join(dir, fmt.Sprintf("%s.v%d", FileName, now)), filepath.Join(back, FileName)))
	old := openTest(t, back, migrations())
	require.EqualValues(t, 1, old.Stats().Readings)
	require.NoError(t, old.Check(t.Context()))
}

func TestForeignAndDamagedFilesAreLeftAlone(t *testing.T) {
	t.Run("no database", func(t *testing.T) {
		dir := t.TempDir()
		text := []byte("this is my shopping list, not a database; keep it as it is, please\n")
		require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), text, 0o600))
		_, err := Open(dir, Options{})
		require.ErrorContains(t, err, "the record is damaged: stop the daemon, move the file away and keep it, and restore a backup")
		left, err := os.ReadFile(filepath.Join(dir, FileName))
		require.NoError(t, err)
		require.Equal(t, text, left)
		_, err = Open(dir, Options{})
		require.NotErrorIs(t, err, ErrInUse, "the failed one let go of the folder")
	})
	t.Run("another program's", func(t *testing.T) {
		dir := t.TempDir()
		db, err := sql.Open("sqlite", dsn(filepath.Join(dir, FileName)))
		require.NoError(t, err)
		_, err = db.ExecContext(t.Context(), "CREATE TABLE recipes (x); PRAGMA user_version = 1")
		require.NoError(t, errors.Join(err, db.Close()))
		_, err = Open(dir, Options{})
		require.ErrorContains(t, err, "a database of another program")
	})
}

func TestCheckFindsDamage(t *testing.T) {
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	for i := range 50 {
		many := []ingest.Reading{}
		for k := range 100 {
			many = append(many, nth(100*i+k)...)
		}
		require.NoError(t, j.Record(t.Context(), many, nil))
	}
	require.NoError(t, j.Check(t.Context()))
	require.NoError(t, j.Close())
	f, err := os.OpenFile(filepath.Join(dir, FileName), os.O_RDWR, 0)
	require.NoError(t, err)
	info, err := f.Stat()
	require.NoError(t, err)
	_, err = f.WriteAt(make([]byte, 4096), info.Size()/4096/2*4096)
	require.NoError(t, errors.Join(err, f.Close()))
	require.ErrorContains(t, openTest(t, dir, migrations()).Check(t.Context()), "damaged")
}

// Law: a backup taken while work goes on is a whole journal that holds at least
// what was confirmed before it began.
func TestBackupWhileReadingsArrive(t *testing.T) {
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	ctx, cancel := context.WithCancel(t.Context())
	confirmed := make(chan int, 1)
	ended := make(chan error, 1)
	go func() {
		for i := 0; ; i++ {
			if err := j.Record(context.Background(), nth(i), nil); err != nil || ctx.Err() != nil {
				ended <- err
				return
			}
			select {
			case confirmed <- i + 1:
			default:
			}
		}
	}()
	for n := range 5 {
		<-confirmed // one that may have waited long
		atLeast := <-confirmed
		path := filepath.Join(t.TempDir(), FileName)
		if n%2 == 0 {
			require.NoError(t, j.Backup(t.Context(), path))
		} else {
			require.NoError(t, CopyFolder(t.Context(), dir, path), "as another process does it")
		}
		require.ErrorIs(t, j.Backup(t.Context(), path), os.ErrExist, "nothing is overwritten")
		restored := openTest(t, filepath.Dir(path), migrations())
		require.GreaterOrEqual(t, restored.Stats().Readings, int64(atLeast))
		require.NoError(t, restored.Check(t.Context()))
		require.NoError(t, restored.Record(t.Context(), nth(1_000_000), nil))
	}
	cancel()
	require.NoError(t, <-ended)
	require.Error(t, CopyFolder(t.Context(), t.TempDir(), filepath.Join(t.TempDir(), "x")), "no journal there")
	require.Error(t, j.Backup(t.Context(), filepath.Join(t.TempDir(), "no such folder", "x")))
}

// Law: a start without the record that was there begins anew and leaves a mark of it,
// for good: one that is cut short is gone on from like any first one.
func TestBegunAnewAndCutShort(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	j := openTest(t, dir, migrations())
	require.NoError(t, j.Close())
	require.NoError(t, os.Remove(path))
	for _, left := range []string{path + "-wal", path + ".v3"} {
		require.NoError(t, os.WriteFile(left, []byte("of the old one"), 0o600))
	}
	_, err := Inspect(t.Context(), path)
	require.ErrorContains(t, err, "the record is gone (ebbline.db is not there, and there was one before): look for it")
	_, _, anew := BegunAnew(dir)
	require.False(t, anew)
	require.NoError(t, (&Journal{path: path, log: slog.New(slog.DiscardHandler)}).markAnew())
	require.NoError(t, createPrivate(path)) // as far as it came
	require.NoError(t, openTest(t, dir, migrations()).Close())
	_, mark, anew := BegunAnew(dir)
	require.True(t, anew)
	kept, err := os.ReadFile(mark + "-wal")
	require.NoError(t, err)
	require.Equal(t, "of the old one", string(kept), "SQLite would throw it away")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	_, err = Open(dir, Options{})
	require.ErrorContains(t, err, "the file is empty, and there was something in it before", "the new one has its own mark")

	old := time.Now().Add(-goneFor - time.Minute)
	require.NoError(t, os.Chtimes(mark, old, old))
	_, _, anew = BegunAnew(dir)
	require.False(t, anew, "a week later it is not news")
}

// A child that is being started has its parent's open files until it runs its
// program: a journal that is closed in that moment lets go of the folder all the same.
func TestAChildThatStartsDoesNotKeepTheFolder(t *testing.T) {
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	child, err := unix.Dup(int(j.lock.Fd()))
	require.NoError(t, err)
	defer func() { require.NoError(t, unix.Close(child)) }()
	require.NoError(t, j.Close())
	require.NoError(t, openTest(t, dir, migrations()).Close())
}
