package journal

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"slices"
	"time"

	"ebbline/ingest"
)

// op is one caller's write. Either do is set, or readings and refusals.
type op struct {
	readings []ingest.Reading
	refusals []ingest.Refusal
	do       func(*writer) error
	quiet    bool  // nobody waits to hear of it
	settled  bool  // do wants all readings in their places
	err      error // what do said; the group may still fail
	done     chan error
}

// Enqueue queues readings and refusals in the order of the calls, which is the
// order of their Seq, and returns at once; it blocks only while the queue is
// full, at most until ctx ends. wait returns when they are durable, or the error;
// see Record for both. It may be called again only after its own ctx has ended.
// The slices are the journal's until it is known what became of them.
func (j *Journal) Enqueue(ctx context.Context, readings []ingest.Reading, refusals []ingest.Refusal) (wait func(ctx context.Context) error) {
	o, err := newRecord(readings, refusals)
	if err == nil && o != nil {
		err = j.put(ctx, o)
	}
	return func(ctx context.Context) error {
		if err != nil || o == nil {
			return err
		}
		return j.await(ctx, o)
	}
}

// submit hands o to the writer and waits until its group is durable or failed.
func (j *Journal) submit(ctx context.Context, o *op) error {
	if err := j.put(ctx, o); err != nil {
		return err
	}
	return j.await(ctx, o)
}

func (j *Journal) put(ctx context.Context, o *op) error {
	o.done = make(chan error, 1)
	select {
	case <-j.closing:
		return ErrClosed
	default:
	}
	select {
	case j.ops <- o:
		return nil
	case <-j.closing:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("wait for the journal's queue: %w", context.Cause(ctx))
	}
}

func (j *Journal) await(ctx context.Context, o *op) error {
	select {
	case err := <-o.done: // known already, whatever of ctx
		return err
	default:
	}
	select {
	case err := <-o.done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("wait for the commit (it may still happen): %w", context.Cause(ctx))
	case <-j.stopped:
		select {
		case err := <-o.done:
			return err
		default:
			return ErrClosed
		}
	}
}

// change runs do in the writer's next group, alone undone if it fails. What do
// sets may be read only if change returns no error: a caller that gave up must
// not look at it while the writer works.
func (j *Journal) change(ctx context.Context, do func(*writer) error) error {
	return j.submit(ctx, &op{do: do})
}

// write is the writer goroutine: it takes one op, then whatever already waits,
// and makes them durable together. No timer: a lone reading never waits.
func (j *Journal) write() {
	defer close(j.stopped)
	group := make([]*op, 0, maxGroup)
	always := make(chan struct{})
	close(always)
	var tidy chan struct{} // always, while there is something to do for which nobody waits
	if j.w.crowded() {
		tidy = always
	}
	for {
		select {
		case o := <-j.ops:
			group = j.gather(append(group[:0], o))
		case <-tidy:
			group = j.gather(group[:0])
		case <-j.closing:
			if group = j.gather(group[:0]); len(group) == 0 {
				return
			}
		}
		j.w.fit(len(group))
		tidy = nil
		if j.commitGroup(group) == nil && j.w.crowded() {
			tidy = always
		}
		clear(group)
	}
}

func (j *Journal) gather(group []*op) []*op {
	for len(group) < maxGroup {
		select {
		case o := <-j.ops:
			group = append(group, o)
		default:
			return group
		}
	}
	return group
}

func (j *Journal) commitGroup(group []*op) error {
	begun := j.now()
	err := j.w.commit(group)
	if err != nil {
		err = &ErrUnwritten{Unsure: j.w.unsure && !full(err), Cause: describe(err)}
	}
	if j.state.committed(len(group), begun, j.now(), err) {
		if err != nil {
			j.log.Error("the record cannot be written", "error", err)
		} else {
			j.log.Info("the record can be written again")
		}
	}
	if err == nil && slices.ContainsFunc(group, func(o *op) bool { return !o.quiet }) {
		j.changes.notify()
	}
	for _, o := range group {
		if err != nil {
			o.done <- err
		} else {
			o.done <- o.err
		}
	}
	return err
}

// writer owns the one connection that writes. Only the writer goroutine uses
// it, so that a group is one transaction and seq rises in order of commit.
type writer struct {
	ctx      context.Context // never ends: a caller that gives up must not tear the group of the others
	db       *sql.DB
	conn     *sql.Conn // nil after it broke
	seat     *seat
	stmts    map[string]*sql.Stmt
	state    *state
	seq      int64 // the last given out
	series   map[seriesKey]int64
	binned   map[int64]int64      // by series, see hours.go
	thinned  map[int64]int64      // by series, see thin.go
	newest   map[int64]int64      // by series, no reading of it is of a later time
	reached  map[int64]int64      // by series, an hour before which all are to be binned
	reopened map[seriesHour]bool  // binned hours that this group adds readings to
	rows     []row                // readings not yet inserted
	fresh    map[readingKey]int64 // to its seq; see fresh.go
	cache    int                  // KiB, see fit
	slow     func()               // nil but in tests: what a slow disk does to a commit
	refused  map[refusalKey]*RefusalSeen
	inserted int64 // readings of this group, less what it thinned out
	takenOut int64 // what it thinned out
	unsure   bool  // whether this group reached the disk, should it fail now
	settled  int64 // those of it, and of the heap, that came into their places
}

func newWriter(ctx context.Context, db *sql.DB, conn *sql.Conn, s *state) (*writer, error) {
	w := &writer{ctx: ctx, db: db, conn: conn, cache: cacheLeast, stmts: map[string]*sql.Stmt{}, state: s, refused: map[refusalKey]*RefusalSeen{}, reached: map[int64]int64{}, reopened: map[seriesHour]bool{}}
	return w, w.reload()
}

// reload reads again what the writer remembers, after opening and after a
// group that may or may not have reached the disk.
func (w *writer) reload() error {
	w.series, w.binned, w.thinned, w.newest = map[seriesKey]int64{}, map[int64]int64{}, map[int64]int64{}, map[int64]int64{}
	clear(w.reached)
	var readings, thinned int64
	if err := w.remember(); err != nil {
		return err
	}
	err := w.one(`SELECT max(
		ifnull((SELECT seq FROM reading ORDER BY seq DESC LIMIT 1), 0),
		ifnull((SELECT max(seq) FROM fresh), 0),
		ifnull((SELECT seq FROM entry ORDER BY seq DESC LIMIT 1), 0)),
		(SELECT value FROM meta WHERE key = 'readings'),
		ifnull((SELECT value FROM meta WHERE key = 'thinned'), 0)`, nil, &w.seq, &readings, &thinned)
	if err != nil {
		return fmt.Errorf("read the journal's last sequence number: %w", describe(err))
	}
	w.state.holds(readings+int64(len(w.fresh)), thinned, w.seq)
	return nil
}

// commit makes the group durable in one transaction, or fails it whole.
func (w *writer) commit(group []*op) (err error) {
	w.rows, w.inserted, w.settled, w.takenOut, w.unsure = w.rows[:0], 0, 0, 0, false
	clear(w.refused)
	clear(w.reopened)
	if err = w.seat.kept(""); err != nil { // before another file is opened under its name
		return err
	}
	if err = w.reconnect(); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			w.undo()
		}
	}()
	if _, err = w.exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	for _, o := range group {
		if err = w.apply(o); err != nil {
			return err
		}
	}
	if err = w.flush(); err != nil {
		return err
	}
	if err = w.ease(len(group) == 0); err != nil {
		return err
	}
	if err = w.bin(); err != nil {
		return err
	}
	if err = w.keepRefusals(); err != nil {
		return err
	}
	if w.settled != 0 {
		if _, err = w.exec("UPDATE meta SET value = value + ? WHERE key = 'readings'", w.settled); err != nil {
			return err
		}
	}
	if w.slow != nil {
		w.slow()
	}
	w.unsure = true
	if _, err = w.exec("COMMIT"); err != nil {
		return err
	}
	if err = w.seat.kept("", "-wal"); err != nil {
		return err
	}
	w.state.grew(w.inserted, w.takenOut, w.seq)
	return nil
}

func (w *writer) apply(o *op) error {
	if o.do == nil {
		w.refuse(o.refusals)
		return w.add(o.readings)
	}
	// Readings before it must have their place before it.
	if err := w.flush(); err != nil {
		return err
	}
	if o.settled {
		if err := w.settle(); err != nil {
			return err
		}
	}
	if _, err := w.exec("SAVEPOINT op"); err != nil {
		return err
	}
	if o.err = o.do(w); o.err != nil {
		if diskFault(o.err) {
			return o.err // not this caller's alone
		}
		if _, err := w.exec("ROLLBACK TO op"); err != nil {
			return errors.Join(o.err, err)
		}
	}
	_, err := w.exec("RELEASE op")
	return err
}

// fit gives the writer the cache that a group of so many wants: a page that does
// not fit is written twice, and read again for the next group. It shrinks only for
// a small group, after which little is kept.
func (w *writer) fit(size int) {
	cache := cacheLeast
	switch {
	case size > largeGroup:
		cache = cacheMost
	case size > smallGroup, w.crowded():
		cache = max(w.cache, cacheMore)
	}
	if cache == w.cache || w.conn == nil {
		return
	}
	if _, err := w.exec(fmt.Sprintf("PRAGMA cache_size = -%d", cache)); err == nil { // a small one only takes longer
		w.cache = cache
	}
}

// undo ends a failed transaction. SQLite has rolled some back by itself; then
// ROLLBACK fails, which is well. What the writer remembers is read again, for
// the group may have reached the disk; if not even that works, the connection
// is given up and the next group opens another.
func (w *writer) undo() {
	_, _ = w.exec("ROLLBACK")
	if err := w.reload(); err != nil {
		w.discard()
	}
}

func (w *writer) reconnect() (err error) {
	if w.conn != nil {
		return nil
	}
	if w.conn, err = w.db.Conn(w.ctx); err != nil {
		w.conn = nil
		return err
	}
	w.cache = cacheLeast
	if err = w.reload(); err != nil {
		w.discard()
		return err
	}
	return nil
}

// exec runs a statement that is prepared once.
func (w *writer) exec(query string, args ...any) (sql.Result, error) {
	s, err := w.prepare(query) //nolint:sqlclosecheck // kept in stmts until close
	if err != nil {
		return nil, err
	}
	return s.ExecContext(w.ctx, args...)
}

// changed runs a statement and tells how many rows it changed.
func (w *writer) changed(query string, args ...any) (int64, error) {
	r, err := w.exec(query, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// one reads a single row; sql.ErrNoRows if there is none.
func (w *writer) one(query string, args []any, into ...any) error {
	s, err := w.prepare(query) //nolint:sqlclosecheck // kept in stmts until close
	if err != nil {
		return err
	}
	return s.QueryRowContext(w.ctx, args...).Scan(into...)
}

// row is one to be scanned once.
func (w *writer) row(query string, args ...any) scanner {
	return scanned(func(into ...any) error { return w.one(query, args, into...) })
}

type scanned func(into ...any) error

// Scan reads the row.
func (s scanned) Scan(into ...any) error { return s(into...) }

func (w *writer) prepare(query string) (*sql.Stmt, error) {
	if s, ok := w.stmts[query]; ok {
		return s, nil
	}
	if w.conn == nil {
		return nil, sql.ErrConnDone
	}
	s, err := w.conn.PrepareContext(w.ctx, query)
	if err != nil {
		return nil, err
	}
	w.stmts[query] = s
	return s, nil
}

func (w *writer) close() error {
	if w.conn == nil {
		return nil
	}
	// Statements first: SQLite keeps a connection, and its lock, while it has any.
	var errs []error
	for _, s := range w.stmts {
		errs = append(errs, s.Close())
	}
	clear(w.stmts)
	errs = append(errs, w.conn.Close())
	w.conn = nil
	return errors.Join(errs...)
}

// discard closes the connection so that the pool does not give it out again
// with its transaction still open.
func (w *writer) discard() {
	if w.conn == nil {
		return
	}
	for _, s := range w.stmts {
		_ = s.Close()
	}
	clear(w.stmts)
	_ = w.conn.Raw(func(any) error { return driver.ErrBadConn })
	w.conn = nil
}

// micros is a time as the journal keeps it.
func micros(t time.Time) int64 { return t.UnixMicro() }

func fromMicros(v int64) time.Time { return time.UnixMicro(v).UTC() }

func fromNullMicros(v sql.NullInt64) *time.Time {
	if !v.Valid {
		return nil
	}
	t := fromMicros(v.Int64)
	return &t
}

func nullMicros(t *time.Time) any {
	if t == nil {
		return nil
	}
	return micros(*t)
}
