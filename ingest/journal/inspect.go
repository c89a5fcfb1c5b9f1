package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"
)

// Held is what a file of the journal holds.
type Held struct {
	Format    int   // version on disk
	FileBytes int64 // with what lies in the write-ahead log only
	Filled    int64 // of them what readings and all that is said of them fill
	Readings  int64
	First     time.Time // of the readings' own times; zero: none
	Last      time.Time
	Thinned   int64 // readings that were thinned out, ever
	Recent    int64 // readings of the last week before Last
	Batches   int
	Running   int
	Entries   int
	Events    int64
}

const (
	// week is what YearBytes goes by.
	week = 7 * 24 * time.Hour
	// youngest is the age at which it can be told: in the first days the tables
	// themselves weigh more than what is in them.
	youngest = 3 * 24 * time.Hour
)

// YearBytes is by how much the file grows in a year at the pace of its last week
// of readings, each with its share of all that is kept; 0 if it is younger than
// three days.
func (h Held) YearBytes() int64 {
	span := min(week, h.Last.Sub(h.First))
	if span < youngest || h.Readings == 0 {
		return 0
	}
	perReading := float64(h.Filled) / float64(h.Readings)
	return int64(math.Round(perReading * float64(h.Recent) * float64(365*24*time.Hour) / float64(span)))
}

// YearBytes is Held.YearBytes of an open journal, of the week before now. Its
// file, readings thinned and those of the heap count as they are at the moment.
func (j *Journal) YearBytes(ctx context.Context, now time.Time) (int64, error) {
	st := j.Stats()
	h, _, err := first(ctx, j.read, "SELECT ifnull(min(hour), 0), ifnull(sum(CASE WHEN hour >= ? THEN count END), 0) FROM hour", []any{hourIn(micros(now.Add(-week)))},
		func(row scanner) (h Held, err error) {
			var from int64
			err = row.Scan(&from, &h.Recent)
			h.First = fromMicros(beginOf(from))
			return h, err
		})
	if err != nil {
		return 0, fmt.Errorf("ask how fast the record grows: %w", err)
	}
	if h.Recent == 0 || st.Readings == 0 {
		return 0, nil
	}
	h.Readings, h.Last = st.Readings, now
	filled, _, err := first(ctx, j.read, filledBytes, nil, func(row scanner) (n int64, err error) { return n, row.Scan(&n) })
	if err != nil {
		return 0, fmt.Errorf("ask how much of the record is filled: %w", err)
	}
	h.Filled = filled
	return h.YearBytes(), nil
}

// filledBytes asks for Held.Filled: pages in use, those of the log too, without the
// watches' snapshots, of which there is one for each batch however old it is.
const filledBytes = `SELECT (p.page_count - f.freelist_count) * s.page_size - (SELECT ifnull(sum(length(snapshot)), 0) FROM watch)
	FROM pragma_page_count p, pragma_freelist_count f, pragma_page_size s`

// Inspect checks a journal's file, a copy or one that a daemon writes at the
// moment, and counts what it holds. It reads all of it: up to a minute per gigabyte.
// It refuses a file that is no journal, a newer one (ErrNewer), and a damaged
// one, saying what is found; see sound.go.
func Inspect(ctx context.Context, path string) (Held, error) {
	h, err := inspect(ctx, path)
	if err != nil {
		return h, fmt.Errorf("check the record in %s: %w", path, err)
	}
	return h, nil
}

// cutShort is what a person does about a file without a record.
const cutShort = "A first start that was cut short leaves such a file, and starting ebbline again goes on from it; it is no copy that ebbline made"

// requireSome refuses an empty file or none, as damage where there was a record.
func requireSome(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) && hadRecord(path) {
		return &damage{found: filepath.Base(path) + " is not there, and there was one before", gone: true}
	}
	if err != nil || info.Size() > 0 {
		return err
	}
	if err := requireFirst(path); err != nil {
		return err
	}
	return errors.New("the file is empty: there is no record in it. " + cutShort)
}

func inspect(ctx context.Context, path string) (h Held, err error) {
	if err := requireSome(path); err != nil {
		return h, err
	}
	db, err := openFile(path, "query_only(1)")
	if err != nil {
		return h, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return h, describe(err)
	}
	defer func() { _ = conn.Close() }()
	if h.Format, err = formatOf(ctx, conn); err != nil {
		return h, err
	}
	switch known := len(migrations()); {
	case h.Format == 0:
		return h, errors.New("there is no record in the file. " + cutShort)
	case h.Format > known:
		return h, fmt.Errorf("%w: it has format %d and this ebbline knows formats up to %d: install the newer one", ErrNewer, h.Format, known)
	}
	if err := sound(ctx, conn, h.Format); err != nil {
		return h, err
	}
	err = conn.QueryRowContext(ctx, "SELECT page_count * page_size, ("+filledBytes+") FROM pragma_page_count, pragma_page_size").Scan(&h.FileBytes, &h.Filled)
	if err != nil {
		return h, describe(err)
	}
	return h, h.count(ctx, conn)
}

func (h *Held) count(ctx context.Context, conn *sql.Conn) error {
	var first, last sql.NullInt64
	readings := "SELECT time FROM reading"
	if h.Format >= 3 {
		if err := conn.QueryRowContext(ctx, "SELECT ifnull((SELECT value FROM meta WHERE key = 'thinned'), 0)").Scan(&h.Thinned); err != nil {
			return describe(err)
		}
		readings += " UNION ALL SELECT time FROM fresh"
	}
	err := conn.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM (`+readings+`)), (SELECT min(time) FROM (`+readings+`)), (SELECT max(time) FROM (`+readings+`)),
		(SELECT count(*) FROM batch), (SELECT count(*) FROM batch WHERE ended IS NULL), (SELECT count(*) FROM entry), (SELECT count(*) FROM event)`).
		Scan(&h.Readings, &first, &last, &h.Batches, &h.Running, &h.Entries, &h.Events)
	if err != nil {
		return describe(err)
	}
	if !first.Valid {
		return nil
	}
	h.First, h.Last = fromMicros(first.Int64), fromMicros(last.Int64)
	return describe(conn.QueryRowContext(ctx, "SELECT count(*) FROM ("+readings+") WHERE time > ?", micros(h.Last.Add(-week))).Scan(&h.Recent))
}

// Restore puts a copy made by Backup into the folder of a new journal and
// returns what it holds, checked before and after. It refuses a folder that has
// a record already, or that a daemon holds; then nothing is changed.
func Restore(ctx context.Context, from, dir string) (Held, error) {
	h, err := restore(ctx, from, dir)
	if err != nil {
		return h, fmt.Errorf("restore %s into %s: %w", from, dir, err)
	}
	return h, nil
}

func restore(ctx context.Context, from, dir string) (h Held, err error) {
	before, err := inspect(ctx, from)
	if err != nil {
		return h, otherCopy(err)
	}
	to := filepath.Join(dir, FileName)
	for _, there := range []string{to, to + "-wal"} {
		if _, err := os.Stat(there); err == nil {
			return h, fmt.Errorf("%s is there already and is not overwritten: move it away, or choose another data folder", there)
		}
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return h, err
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return h, err
	}
	defer func() { err = errors.Join(err, unlockFolder(lock)) }()
	if err := backup(ctx, from, to, nil); err != nil {
		return h, err
	}
	if err := os.Remove(to + gone); err != nil && !errors.Is(err, os.ErrNotExist) {
		return h, err
	}
	if h, err = Inspect(ctx, to); err != nil {
		return h, err
	}
	h.FileBytes, before.FileBytes, h.Filled, before.Filled = 0, 0, 0, 0 // pages left empty are not copied
	if h != before {
		return h, fmt.Errorf("the copy holds %+v and the file %+v: the file was changed meanwhile", h, before)
	}
	return Inspect(ctx, to)
}
