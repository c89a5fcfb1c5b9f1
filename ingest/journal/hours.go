package journal

import (
	"fmt"
	"maps"
)

// Hours that are over are binned once, so that a graph of a year reads some
// thousand rows and not half a million. series.binned is the first hour that is
// not; below it every hour with readings has its row in hour.

// hourLong is an hour in microseconds; hourZero, so many hours before 1970, is
// hour 0: before any time that can be stored, so that SQL may divide.
const (
	hourLong = int64(3600e6)
	hourZero = int64(700_000)
)

// hourIn is the hour in which a time lies, beginOf when it begins.
func hourIn(t int64) int64  { return (t + hourZero*hourLong) / hourLong }
func beginOf(h int64) int64 { return (h - hourZero) * hourLong }

const createHours = `
CREATE TABLE hour (
  series   INTEGER NOT NULL REFERENCES series (id),
  hour     INTEGER NOT NULL,
  count    INTEGER NOT NULL,
  least    REAL NOT NULL,
  greatest REAL NOT NULL,
  total    REAL NOT NULL,
  last     REAL NOT NULL,
  PRIMARY KEY (series, hour)
) STRICT, WITHOUT ROWID;
ALTER TABLE series ADD COLUMN binned INTEGER NOT NULL DEFAULT 0;
`

// schemaV2 bins the hours of what is there already; the last one of a series
// may not be over, a later reading then bins it again.
const schemaV2 = createHours + binFrom + binTo +
	"; UPDATE series SET binned = ifnull((SELECT max(hour) + 1 FROM hour WHERE series = id), 0);"

// binFrom and binTo bin readings by the hour; a WHERE between them says which.
const (
	binFrom = `INSERT OR REPLACE INTO hour (series, hour, count, least, greatest, total, last) SELECT series, h, n, low, high, total,
		(SELECT value FROM reading WHERE series = g.series AND time < (h - 699999) * 3600000000 ORDER BY time DESC, tie DESC LIMIT 1)
		FROM (SELECT series, (time + 2520000000000000) / 3600000000 AS h, count(*) AS n, min(value) AS low, max(value) AS high, sum(value) AS total FROM reading`
	binTo = ` GROUP BY 1, 2) AS g`
)

// seriesHour is one hour of a series.
type seriesHour struct{ series, hour int64 }

// touched notes which hours a reading closes or reopens, and how new it is.
func (w *writer) touched(r row) {
	w.newest[r.series] = max(w.newest[r.series], r.time)
	h := hourIn(r.time)
	if h < w.binned[r.series] {
		w.reopened[seriesHour{r.series, h}] = true
		return
	}
	w.reached[r.series] = max(w.reached[r.series], h)
}

// freshToBin reports whether readings to be binned are not in their places yet. With
// several floats the first one's next hour brings there those of all; the others
// need not move what came since.
func (w *writer) freshToBin() bool {
	for r := range w.fresh {
		if h := hourIn(r.time); h < w.reached[r.series] || w.reopened[seriesHour{r.series, h}] {
			return true
		}
	}
	return false
}

// oldestFresh is, by series, the hour of its oldest reading on the heap.
func (w *writer) oldestFresh() map[int64]int64 {
	oldest := map[int64]int64{}
	for r := range w.fresh {
		h := hourIn(r.time)
		if known, ok := oldest[r.series]; !ok || h < known {
			oldest[r.series] = h
		}
	}
	return oldest
}

// bin brings the binned hours up to what is inserted; in a burst, up to what is in
// its place.
func (w *writer) bin() error {
	const some = binFrom + " WHERE series = ? AND time >= ? AND time < ?" + binTo
	maps.DeleteFunc(w.reached, func(s, h int64) bool { return h == w.binned[s] })
	if len(w.reached)+len(w.reopened) == 0 {
		return nil
	}
	var oldest map[int64]int64
	switch {
	case w.crowded() && len(w.reopened) == 0:
		oldest = w.oldestFresh()
	case w.freshToBin():
		if err := w.settle(); err != nil {
			return err
		}
	}
	for s, h := range w.reached {
		if o, ok := oldest[s]; ok {
			h = min(h, o)
		}
		if h <= w.binned[s] {
			continue
		}
		if _, err := w.exec(some, s, beginOf(w.binned[s]), beginOf(h)); err != nil {
			return fmt.Errorf("bin the hours that are over: %w", err)
		}
		if _, err := w.exec("UPDATE series SET binned = ? WHERE id = ?", h, s); err != nil {
			return fmt.Errorf("note the hours that are binned: %w", err)
		}
		w.binned[s] = h
	}
	for at := range w.reopened {
		if _, err := w.exec(some, at.series, beginOf(at.hour), beginOf(at.hour+1)); err != nil {
			return fmt.Errorf("bin an hour again: %w", err)
		}
	}
	return nil
}
