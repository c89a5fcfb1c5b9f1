package journal

import (
	"context"
	"fmt"
	"time"
)

// Readings older than a stated age are thinned, hour by hour, for whoever asks
// for it: of each quarter of an hour of a series the first, the last, the lowest
// and the highest stay. So no extreme is lost, every silence of a quarter of an
// hour or longer begins and ends where it did, and no new one appears. Binned
// hours keep number and mean of all there were. series.thinned is the first hour
// that is not thinned; meta thinned counts what was taken out.

const (
	quarterLong = hourLong / 4
	// thinMost readings at most, or one hour's, are looked at in one transaction:
	// some 200 pages, so that a reading that comes meanwhile hardly waits.
	thinMost = 2000
)

// Thinning says what may be thinned.
type Thinning struct {
	Before time.Time // readings of hours that were over then
	UpTo   int64     // of those only up to this Seq: followers have yet to read the others
}

// Thinned is what one call of Thin did.
type Thinned struct {
	Removed int64 // readings
	More    bool  // there may be more to do
}

// Thin does one small step and returns; call it again while there is More.
func (j *Journal) Thin(ctx context.Context, t Thinning) (done Thinned, err error) {
	if !datable(t.Before) {
		return done, fmt.Errorf("thin readings %w: before %v", ErrInvalid, t.Before)
	}
	err = j.submit(ctx, &op{quiet: true, settled: true, do: func(w *writer) (err error) {
		done, err = w.thin(hourIn(micros(t.Before)), t.UpTo)
		return err
	}})
	if err != nil {
		return Thinned{}, fmt.Errorf("thin old readings: %w", err)
	}
	return done, nil
}

// span is some hours of a series.
type span struct{ series, from, to int64 }

// thin does the first span that there is to do.
func (w *writer) thin(before, upTo int64) (done Thinned, err error) {
	type todo struct{ series, thinned, binned int64 }
	all, err := query(w.ctx, w.conn, "SELECT id, thinned, binned FROM series WHERE thinned < min(binned, ?)", []any{before},
		func(row scanner) (t todo, err error) { return t, row.Scan(&t.series, &t.thinned, &t.binned) })
	if err != nil {
		return done, err
	}
	for _, t := range all {
		s, ok, err := w.nextSpan(t.series, t.thinned, min(before, t.binned))
		if err != nil {
			return done, err
		}
		if !ok {
			continue
		}
		rows, last, err := w.readingsOf(s)
		if err != nil {
			return done, err
		}
		if last > upTo {
			continue // the mirror is behind
		}
		done.More = true
		done.Removed, err = w.takeOut(s, superfluous(rows))
		return done, err
	}
	return done, nil
}

// nextSpan is the next hours with readings that go in one transaction.
func (w *writer) nextSpan(series, from, to int64) (span, bool, error) {
	type binned struct{ hour, count int64 }
	hours, err := query(w.ctx, w.conn, "SELECT hour, count FROM hour WHERE series = ? AND hour >= ? AND hour < ? ORDER BY hour LIMIT 500", []any{series, from, to},
		func(row scanner) (b binned, err error) { return b, row.Scan(&b.hour, &b.count) })
	if err != nil || len(hours) == 0 {
		return span{}, false, err
	}
	s, n := span{series: series, from: hours[0].hour}, int64(0)
	for i, h := range hours {
		if n += h.count; i > 0 && n > thinMost {
			break
		}
		s.to = h.hour + 1
	}
	return s, true, nil
}

// placed is a reading by its place in its series.
type placed struct {
	time, tie int64
	value     float64
}

// readingsOf reads a span, and the last Seq in it.
func (w *writer) readingsOf(s span) ([]placed, int64, error) {
	return w.readingsIn(s.series, beginOf(s.from), beginOf(s.to))
}

func (w *writer) readingsIn(series, from, to int64) (rows []placed, last int64, err error) {
	rows, err = query(w.ctx, w.conn, "SELECT time, tie, value, seq FROM reading WHERE series = ? AND time >= ? AND time < ? ORDER BY time, tie", []any{series, from, to},
		func(row scanner) (p placed, err error) {
			var seq int64
			err = row.Scan(&p.time, &p.tie, &p.value, &seq)
			last = max(last, seq)
			return p, err
		})
	return rows, last, err
}

// quarterOf is the quarter of an hour in which a time lies, beginOfQuarter when
// it begins.
func quarterOf(t int64) int64      { return (t + hourZero*hourLong) / quarterLong }
func beginOfQuarter(q int64) int64 { return q*quarterLong - hourZero*hourLong }

// superfluous are those of rows, given in order, that thinning takes out.
func superfluous(rows []placed) (out []placed) {
	for len(rows) > 0 {
		n, low, high := 1, 0, 0
		for n < len(rows) && quarterOf(rows[n].time) == quarterOf(rows[0].time) {
			if rows[n].value < rows[low].value {
				low = n
			}
			if rows[n].value > rows[high].value {
				high = n
			}
			n++
		}
		for i := 1; i < n-1; i++ {
			if i != low && i != high {
				out = append(out, rows[i])
			}
		}
		rows = rows[n:]
	}
	return out
}

// takeOut removes readings of a span and notes that it is thinned.
func (w *writer) takeOut(s span, rows []placed) (removed int64, err error) {
	for _, r := range rows {
		n, err := w.changed("DELETE FROM reading WHERE series = ? AND time = ? AND tie = ?", s.series, r.time, r.tie)
		if err != nil {
			return 0, err
		}
		removed += n
	}
	if _, err := w.exec("UPDATE series SET thinned = ? WHERE id = ?", s.to, s.series); err != nil {
		return 0, err
	}
	if _, err := w.exec("INSERT INTO meta (key, value) VALUES ('thinned', ?1) ON CONFLICT DO UPDATE SET value = value + ?1", removed); err != nil {
		return 0, err
	}
	w.thinned[s.series] = s.to
	w.inserted -= removed
	w.settled -= removed
	w.takenOut += removed
	return removed, nil
}

// late records a reading of a time that is thinned already: it stays if it would
// have. So what was thinned out and comes again changes nothing.
func (w *writer) late(r row) error {
	q := quarterOf(r.time)
	near, _, err := w.readingsIn(r.series, beginOfQuarter(q), beginOfQuarter(q+1))
	if err != nil {
		return err
	}
	if n := len(near); n > 0 {
		low, high := near[0].value, near[0].value
		for _, p := range near {
			if p.time == r.time && p.tie == r.tie {
				return nil
			}
			low, high = min(low, p.value), max(high, p.value)
		}
		if r.value >= low && r.value <= high && near[0].before(r) && !near[n-1].before(r) {
			return nil
		}
	}
	if _, err := w.exec(insertReadings(1), r.series, r.time, r.tie, r.lag, r.value, r.flags, r.seq, r.crc); err != nil {
		return fmt.Errorf("insert a late reading: %w", err)
	}
	w.inserted++
	w.settled++
	_, err = w.exec(`INSERT INTO hour (series, hour, count, least, greatest, total, last) VALUES (?1, ?2, 1, ?3, ?3, ?3, ?3) ON CONFLICT DO UPDATE SET
		count = count + 1, least = min(least, ?3), greatest = max(greatest, ?3), total = total + ?3,
		last = (SELECT value FROM reading WHERE series = ?1 AND time < ?4 ORDER BY time DESC, tie DESC LIMIT 1)`,
		r.series, hourIn(r.time), r.value, beginOf(hourIn(r.time)+1))
	if err != nil {
		return fmt.Errorf("add a late reading to its hour: %w", err)
	}
	return nil
}

// before says whether p comes before r in the order of a series.
func (p placed) before(r row) bool { return p.time < r.time || p.time == r.time && p.tie < r.tie }

// thinnedText counts, of the hours ?2 to ?3 that are thinned, what was binned and
// what is left.
const thinnedText = `SELECT ifnull(max(min(thinned, ?3)), 0) FROM series AS s WHERE sensor = ?1 AND thinned > ?2
	AND (SELECT ifnull(sum(count), 0) FROM hour WHERE series = s.id AND hour >= ?2 AND hour < min(s.thinned, ?3))
	> (SELECT count(*) FROM reading WHERE series = s.id AND time >= (?2 - 700000) * 3600000000 AND time < (min(s.thinned, ?3) - 700000) * 3600000000)`

// ThinnedUntil is until when the readings of a sensor are thinned that lie
// between two times: at most the hour in which to lies. Zero if none of them was
// taken out.
func (j *Journal) ThinnedUntil(ctx context.Context, sensor string, from, to time.Time) (time.Time, error) {
	h, _, err := first(ctx, j.read, thinnedText, []any{sensor, hourIn(micros(from)), hourIn(micros(to)) + 1},
		func(row scanner) (h int64, err error) { return h, row.Scan(&h) })
	if err != nil {
		return time.Time{}, fmt.Errorf("ask until when readings of %s are thinned: %w", sensor, err)
	}
	if h == 0 {
		return time.Time{}, nil
	}
	return fromMicros(beginOf(h)), nil
}
