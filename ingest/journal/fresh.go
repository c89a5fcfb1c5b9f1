package journal

import (
	"database/sql"
	"fmt"
	"maps"
	"math"
)

// A reading that comes alone would touch five or six pages of the table of
// readings and its indices, for each series has its own place there, and each page
// is written whole: four floats a minute wrote 85 MB a day. So it is put at the
// end of a small heap, one page, and the heap is moved into its places when it is
// full or an hour is over. Whatever reads readings reads both.
//
// A burst goes on the heap too, which takes a quarter of the time that the places
// take, so that its senders are not kept waiting for these. The heap is then moved
// a piece at a time, as soon as nobody waits or only a few do.
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
	// freshGroup is from how many readings on a group is a burst.
	freshGroup = 64
	// burstMost bounds the heap in a burst; 16,000 messages of two readings.
	burstMost = 32 << 10
	// settleMost are moved while nobody waits; settleSome with a small group, more
	// than it brings.
	settleMost, settleSome = 1024, 4 * freshGroup
)

// readingKey tells one reading from another.
type readingKey struct{ series, time, tie int64 }

// remember reads which readings are fresh.
func (w *writer) remember() error {
	if w.conn == nil {
		return sql.ErrConnDone // it broke; the next group opens another
	}
	type fresh struct {
		readingKey
		seq, binned int64
	}
	rows, err := query(w.ctx, w.conn, "SELECT f.series, f.time, f.tie, f.seq, s.binned FROM fresh AS f JOIN series AS s ON s.id = f.series", nil, func(row scanner) (f fresh, err error) {
		return f, row.Scan(&f.series, &f.time, &f.tie, &f.seq, &f.binned)
	})
	if err != nil {
		return fmt.Errorf("read the fresh readings: %w", err)
	}
	w.fresh = make(map[readingKey]int64, len(rows))
	for _, f := range rows {
		w.fresh[f.readingKey] = f.seq
		w.binned[f.series] = f.binned
		w.touched(row{series: f.series, time: f.time})
	}
	return nil
}

// crowded reports whether the heap holds more than questions should walk through.
func (w *writer) crowded() bool { return len(w.fresh) > freshMost }

// heap puts a burst on the heap.
func (w *writer) heap(rows []row) error {
	later := rows[:0] // than all that is known of their series, so that none of them is
	for _, r := range rows {
		isLater := r.time > w.newest[r.series]
		w.touched(r)
		if isLater {
			later = append(later, r)
			w.fresh[readingKey{r.series, r.time, r.tie}] = r.seq
		} else if err := w.freshen(r); err != nil {
			return err
		}
	}
	return inParts(later, func(some []row) error {
		args := make([]any, 0, 8*len(some))
		for _, r := range some {
			args = append(args, r.seq, r.series, r.time, r.tie, r.lag, r.value, r.flags, r.crc)
		}
		if _, err := w.exec(insertMany("fresh (seq, series, time, tie, lag, value, flags, crc)", len(some)), args...); err != nil {
			return fmt.Errorf("insert readings: %w", err)
		}
		w.inserted += int64(len(some))
		return nil
	})
}

// freshen puts a reading on the heap unless it is known.
func (w *writer) freshen(r row) error {
	k := readingKey{r.series, r.time, r.tie}
	if _, known := w.fresh[k]; known {
		return nil
	}
	added, err := w.changed(`INSERT INTO fresh (seq, series, time, tie, lag, value, flags, crc) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8
		WHERE NOT EXISTS (SELECT 1 FROM reading WHERE series = ?2 AND time = ?3 AND tie = ?4)`,
		r.seq, r.series, r.time, r.tie, r.lag, r.value, r.flags, r.crc)
	if err != nil {
		return fmt.Errorf("insert a reading: %w", err)
	}
	if added > 0 {
		w.fresh[k] = r.seq
	}
	w.inserted += added
	return nil
}

// ease moves some of a burst to their places, if the group leaves time for it.
func (w *writer) ease(idle bool) error {
	switch {
	case !w.crowded() || w.inserted >= freshGroup:
		return nil
	case idle:
		return w.settleFirst(settleMost)
	}
	return w.settleFirst(settleSome)
}

// settle moves the heap into the places of its readings.
func (w *writer) settle() error { return w.settleFirst(len(w.fresh)) }

// settleFirst moves the first n of the heap there, or all.
func (w *writer) settleFirst(n int) error {
	if len(w.fresh) == 0 {
		return nil
	}
	var last int64
	if err := w.one("SELECT ifnull((SELECT seq FROM fresh ORDER BY seq LIMIT 1 OFFSET ?), ?)", []any{n, int64(math.MaxInt64)}, &last); err != nil {
		return fmt.Errorf("look at the fresh readings: %w", err)
	}
	moved, err := w.changed(`INSERT OR IGNORE INTO reading (series, time, tie, lag, value, flags, seq, crc)
		SELECT series, time, tie, lag, value, flags, seq, crc FROM fresh WHERE seq < ? ORDER BY series, time, tie`, last)
	if err != nil {
		return fmt.Errorf("move the fresh readings to their places: %w", err)
	}
	if _, err := w.exec("DELETE FROM fresh WHERE seq < ?", last); err != nil {
		return fmt.Errorf("take the fresh readings off the heap: %w", err)
	}
	w.settled += moved
	maps.DeleteFunc(w.fresh, func(_ readingKey, seq int64) bool { return seq < last })
	return nil
}
