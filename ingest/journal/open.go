package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

// FileName is the journal's file in the data folder.
const FileName = "ebbline.db"

const (
	maxGroup    = 4000
	smallGroup  = 20   // messages; see fit
	largeGroup  = 1000 // messages; see fit
	readerConns = 4
	busyTimeout = 5 * time.Second // waits out a backup or a person's sqlite shell
)

const (
	// A reading alone touches half a dozen pages, each of which is written whole:
	// small ones spare a memory card. It holds for a new file only, before
	// journal_mode; the driver sorts pragmas by their text, hence the quotes.
	pageSize = `"main".page_size(1024)`
	// readCache is half a megabyte a connection; the system's own cache does the rest.
	readCache = "cache_size(-512)"
	// The writer's cache in KiB: as readCache, and for larger groups; see fit.
	cacheLeast, cacheMore, cacheMost = 512, 4096, 16384
	// checkpoint is in pages, 16 MB: the longer the log, the more writes to one page become one.
	checkpoint = "wal_autocheckpoint(16000)"
)

// Options of a journal; the zero value is what a daemon wants.
type Options struct {
	Logger *slog.Logger     // nil: nothing is logged
	Now    func() time.Time // nil: the machine's clock; for Health and Stats only
	// Unlooked: opening does not look for damage, so that Damaged tells only what
	// was met by what was asked for.
	Unlooked bool
}

// Journal is an open journal. Its methods may be called from any goroutine.
//
// A method that writes returns when what it wrote is durable. Its error, other
// than ErrNotFound, ErrInvalid, ErrClosed and ErrSensorClaimed, means "unknown",
// not "no": the write may have reached the disk. Every write can be repeated
// without harm, so repeat it.
type Journal struct {
	path    string
	log     *slog.Logger
	now     func() time.Time
	lock    *os.File
	writeDB *sql.DB
	read    *sql.DB
	w       *writer
	seat    *seat

	ops     chan *op
	closing chan struct{} // closed: no new work
	stopped chan struct{} // closed: the writer has ended
	once    sync.Once
	closed  error

	held    sync.Map // settings that are in memory alone, newer than on disk: key to value
	changes watchers
	state   state
	found   findings
}

// Open opens the journal in dir, makes it if there is none (folder mode 0700,
// files 0600), and brings an older file up to date, keeping a copy of it.
//
// ErrInUse: another process has it, and which. ErrNewer: a newer ebbline wrote
// it. Nothing is ever wiped: a file that cannot be read stays as it is.
func Open(dir string, o Options) (*Journal, error) {
	return open(dir, o, migrations())
}

func open(dir string, o Options, steps []string) (*Journal, error) {
	j, err := openFolder(dir, o, steps)
	if err != nil {
		return nil, fmt.Errorf("open the record in %s: %w%s", dir, err, unwritable(err))
	}
	return j, nil
}

// unwritable says what to do about a folder that cannot be written.
func unwritable(err error) string {
	switch {
	case errors.Is(err, syscall.EROFS):
		return "; mount it for writing, or name another folder in the configuration (data). A disk with faults is often made read-only: look at the system's log"
	case errors.Is(err, fs.ErrPermission):
		return "; give the folder to the user that ebbline runs as, or name another one in the configuration (data)"
	}
	return ""
}

func openFolder(dir string, o Options, steps []string) (_ *Journal, err error) {
	if dir, err = filepath.Abs(dir); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	j := &Journal{
		path: filepath.Join(dir, FileName), log: o.Logger, now: o.Now,
		ops:     make(chan *op, 2*maxGroup),
		closing: make(chan struct{}), stopped: make(chan struct{}),
	}
	if j.log == nil {
		j.log = slog.New(slog.DiscardHandler)
	}
	j.found.log = j.log
	if j.now == nil {
		j.now = time.Now
	}
	if j.lock, err = lockFolder(dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, j.release())
		}
	}()
	err = requireFirst(j.path)
	if errors.Is(err, fs.ErrNotExist) {
		err = j.markAnew()
	}
	if err != nil {
		return nil, err
	}
	if err := createPrivate(j.path); err != nil {
		return nil, err
	}
	if err := requireWhole(j.path); err != nil {
		return nil, err
	}
	if err := j.connect(steps); err != nil {
		return nil, err
	}
	if !o.Unlooked {
		if err := j.lookAtSmall(context.Background()); err != nil {
			return nil, err
		}
	}
	if err := j.mendDeliveries(); err != nil {
		j.log.Error("some messages may not be told", "error", err)
	}
	if err := markBegun(j.path); err != nil {
		j.log.Warn("should the record's file ever be found empty, it will be taken for a first start", "error", err)
	}
	j.state.since = j.now()
	go j.write()
	return j, nil
}

// createPrivate makes the file with its mode before SQLite would make it with
// another; SQLite gives its log files the mode of the database.
func createPrivate(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(f.Chmod(0o600), f.Close())
}

func (j *Journal) connect(steps []string) (err error) {
	ctx := context.Background()
	if j.writeDB, err = openFile(j.path, pageSize, "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)", checkpoint, "journal_size_limit(67108864)", "temp_store(MEMORY)", readCache); err != nil {
		return err
	}
	j.writeDB.SetMaxOpenConns(1)
	conn, err := j.writeDB.Conn(ctx)
	if err != nil {
		return describe(err)
	}
	if err := migrate(ctx, conn, j.path, steps); err != nil {
		return err
	}
	if j.w, err = newWriter(ctx, j.writeDB, conn, &j.state); err != nil {
		return err
	}
	if j.seat, err = hold(j.path); err != nil {
		return err
	}
	j.w.seat = j.seat
	if j.read, err = openFile(j.path, "query_only(1)", readCache); err != nil {
		return err
	}
	j.read.SetMaxOpenConns(readerConns)
	j.read.SetMaxIdleConns(readerConns)
	return nil
}

func dsn(path string, pragmas ...string) string {
	q := url.Values{"_txlock": {"immediate"}}
	q.Add("_pragma", fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds()))
	for _, p := range pragmas {
		q.Add("_pragma", p)
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
}

// Close commits what already waits, closes the file and lets go of the folder.
// Calling it again does nothing.
func (j *Journal) Close() error {
	j.once.Do(func() {
		close(j.closing)
		<-j.stopped
		j.changes.close()
		j.closed = j.release()
	})
	return j.closed
}

func (j *Journal) release() error {
	var errs []error
	if j.w != nil {
		errs = append(errs, j.w.close())
	}
	for _, db := range []*sql.DB{j.read, j.writeDB} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(append(errs, j.seat.close(), unlockFolder(j.lock))...)
}
