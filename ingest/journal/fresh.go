package journal

import (
	"database/sql"
	"fmt"
)

// A reading that comes alone would touch five or six pages of the table of
// readings and its indices, for each series has its own place there, and each page
// is written whole: four floats a minute wrote 85 MB a day. So it is put at the
// end of a small heap, one page, and the heap is moved into its places when it is
// full or an hour is over. Whatever reads readings reads both.
//
//	fresh   readings not yet in reading; no key of one is in the other
//	series  thinned: see thin.go
const schemaV3 = `
CREATE TABLE fresh (
  seq    INTEGER PRIMARY KEY,
  series INTEGER NOT NULL REFERENCES series (id),
  time   INTEGER NOT NULL,
  tie    INTEGER NOT NULL,
  lag    INTEGER NOT NULL,
  value  REAL NOT NULL,
  flags  INTEGER NOT NULL
) STRICT;
ALTER TABLE series ADD COLUMN thinned INTEGER NOT NULL DEFAULT 0;
`

const (
	// freshMost bounds what every question walks through; eight series fill it in
	// an hour of a reading a minute.
	freshMost = 512
	// freshGroup is from how many readings on a group goes to its places at once:
	// then each page takes several.
	freshGroup = 64
)

// readingKey tells one reading from another.
type readingKey struct{ series, time, tie int64 }

// remember reads which readings are fresh.
func (w *writer) remember() error {
	if w.conn == nil {
		return sql.ErrConnDone // it broke; the next group opens another
	}
	rows, err := query(w.ctx, w.conn, "SELECT series, time, tie FROM fresh", nil, func(row scanner) (k readingKey, err error) {
		return k, row.Scan(&k.series, &k.time, &k.tie)
	})
	if err != nil {
		return fmt.Errorf("read the fresh readings: %w", err)
	}
	w.fresh = make(map[readingKey]bool, len(rows))
	for _, k := range rows {
		w.fresh[k] = true
	}
	return nil
}

// freshen puts a reading on the heap unless it is known.
func (w *writer) freshen(r row) error {
	k := readingKey{r.series, r.time, r.tie}
	if w.fresh[k] {
		return nil
	}
	added, err := w.changed(`INSERT INTO fresh (seq, series, time, tie, lag, value, flags, crc) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8
		WHERE NOT EXISTS (SELECT 1 FROM reading WHERE series = ?2 AND time = ?3 AND tie = ?4)`,
		r.seq, r.series, r.time, r.tie, r.lag, r.value, r.flags, r.crc)
	if err != nil {
		return fmt.Errorf("insert a reading: %w", err)
	}
	if added > 0 {
		w.fresh[k] = true
	}
	w.inserted += added
	return nil
}

// settle moves the heap into the places of its readings.
func (w *writer) settle() error {
	if len(w.fresh) == 0 {
		return nil
	}
	moved, err := w.changed(`INSERT OR IGNORE INTO reading (series, time, tie, lag, value, flags, seq, crc)
		SELECT series, time, tie, lag, value, flags, seq, crc FROM fresh ORDER BY series, time, tie`)
	if err != nil {
		return fmt.Errorf("move the fresh readings to their places: %w", err)
	}
	if _, err := w.exec("DELETE FROM fresh"); err != nil {
		return fmt.Errorf("take the fresh readings off the heap: %w", err)
	}
	clear(w.fresh)
	w.settled += moved
	return nil
}
