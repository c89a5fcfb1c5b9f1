package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"ebbline/ingest"
)

// MaxBuckets is the most that Series gives.
const MaxBuckets = 10_000

// Series bins one series into buckets of equal length (to the microsecond)
// over from ≤ time < to. Buckets without a reading are left out. ErrInvalid if
// to is not after from, or buckets is not in 1..MaxBuckets. Buckets of two
// hours or more cost little if they begin on the hour (UTC).
func (j *Journal) Series(ctx context.Context, sensor string, q ingest.Quantity, from, to time.Time, buckets int) ([]Bin, error) {
	if !to.After(from) || buckets < 1 || buckets > MaxBuckets {
		return nil, fmt.Errorf("series %w: from %v to %v in %d buckets: give a later end and 1 to %d buckets", ErrInvalid, from, to, buckets, MaxBuckets)
	}
	bins, err := j.bins(ctx, sensor, q, micros(from), micros(to), int64(buckets))
	if err != nil {
		return nil, fmt.Errorf("bin %s of %s: %w", q, sensor, err)
	}
	return bins, nil
}

const (
	seriesText = "SELECT id, binned FROM series WHERE sensor = ? AND quantity = ?"
	bucketText = `SELECT count(*), ifnull(min(value), 0), ifnull(max(value), 0), ifnull(sum(value), 0),
		ifnull((SELECT value FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3 ORDER BY time DESC, tie DESC LIMIT 1), 0)
		FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3`
	// bothText asks the same where readings of the series may be fresh.
	bothText = `WITH r AS (SELECT time, tie, value FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3
		UNION ALL SELECT time, tie, value FROM fresh WHERE series = ?1 AND time >= ?2 AND time < ?3)
		SELECT count(*), ifnull(min(value), 0), ifnull(max(value), 0), ifnull(sum(value), 0),
		ifnull((SELECT value FROM r ORDER BY time DESC, tie DESC LIMIT 1), 0) FROM r`
	freshText = "SELECT ifnull(min(time), 0), ifnull(max(time), -1) FROM fresh WHERE series = ?"
	hoursText = `SELECT ifnull(sum(count), 0), ifnull(min(least), 0), ifnull(max(greatest), 0), ifnull(sum(total), 0),
		ifnull((SELECT last FROM hour WHERE series = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour DESC LIMIT 1), 0)
		FROM hour WHERE series = ?1 AND hour >= ?2 AND hour < ?3`
)

// binner asks about one series within one state of the file.
type binner struct {
	ctx                   context.Context
	raw, both, hours      *sql.Stmt
	id, complete          int64 // hours before complete are binned
	firstFresh, lastFresh int64 // times of the fresh readings, none if the last is before the first
}

// bins asks once per bucket: each is a range of the primary key, so nothing is
// sorted; SQLite cannot see that a GROUP BY over the bucket number is in order.
func (j *Journal) bins(ctx context.Context, sensor string, q ingest.Quantity, from, to, n int64) (bins []Bin, err error) {
	tx, err := j.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	b := binner{ctx: ctx}
	switch err := tx.QueryRowContext(ctx, seriesText, sensor, string(q)).Scan(&b.id, &b.complete); {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, describe(err)
	}
	if err := tx.QueryRowContext(ctx, freshText, b.id).Scan(&b.firstFresh, &b.lastFresh); err != nil {
		return nil, describe(err)
	}
	defer b.close()
	if err := b.prepare(tx); err != nil {
		return nil, describe(err)
	}
	width, rest := (to-from)/n, (to-from)%n
	for i := range n {
		begin := from + i*width + min(i, rest)
		one, err := b.bucket(begin, from+(i+1)*width+min(i+1, rest))
		if err != nil {
			return nil, describe(err)
		}
		if one.Count > 0 {
			one.Time = fromMicros(begin)
			one.Mean /= float64(one.Count)
			bins = append(bins, one)
		}
	}
	return bins, nil
}

func (b *binner) prepare(tx *sql.Tx) (err error) {
	for into, text := range map[**sql.Stmt]string{&b.raw: bucketText, &b.both: bothText, &b.hours: hoursText} {
		if *into, err = tx.PrepareContext(b.ctx, text); err != nil { //nolint:sqlclosecheck // by close
			return err
		}
	}
	return nil
}

func (b *binner) close() {
	for _, s := range []*sql.Stmt{b.raw, b.both, b.hours} {
		if s != nil {
			_ = s.Close()
		}
	}
}

// bucket bins begin ≤ time < end, with the sum as Mean: whole hours that are
// over from their rows, what lies beside them from the readings.
func (b *binner) bucket(begin, end int64) (Bin, error) {
	first, after := hourIn(begin+hourLong-1), min(hourIn(end), b.complete)
	if after <= first {
		return b.readings(begin, end)
	}
	all, err := b.ask(b.hours, first, after)
	if err != nil {
		return all, err
	}
	if from := beginOf(first); begin < from {
		before, err := b.readings(begin, from)
		if err != nil {
			return all, err
		}
		all = before.with(all)
	}
	if to := beginOf(after); to < end {
		rest, err := b.readings(to, end)
		if err != nil {
			return all, err
		}
		all = all.with(rest)
	}
	return all, nil
}

// readings bins from ≤ time < to by the readings themselves.
func (b *binner) readings(from, to int64) (Bin, error) {
	if from <= b.lastFresh && b.firstFresh < to {
		return b.ask(b.both, from, to)
	}
	return b.ask(b.raw, from, to)
}

func (b *binner) ask(what *sql.Stmt, from, to int64) (one Bin, err error) {
	err = what.QueryRowContext(b.ctx, b.id, from, to).Scan(&one.Count, &one.Min, &one.Max, &one.Mean, &one.Last)
	return one, err
}

// with joins the bin of a later time; Mean of both is the sum.
func (a Bin) with(later Bin) Bin {
	switch {
	case later.Count == 0:
		return a
	case a.Count == 0:
		return later
	}
	return Bin{
		Time: a.Time, Count: a.Count + later.Count, Min: min(a.Min, later.Min), Max: max(a.Max, later.Max),
		Mean: a.Mean + later.Mean, Last: later.Last,
	}
}

func lastOfText() string {
	return `SELECT n, time, body, ` + holds("event", "e") + ` FROM event AS e WHERE batch = ? AND type = ? AND time >= ? AND time < ? ORDER BY time DESC, n DESC LIMIT 1`
}

// LastEvents gives the last event of one type in each of the buckets of equal
// length over from ≤ time < to, in the order of time; buckets without one are
// left out. ErrInvalid as for Series.
func (j *Journal) LastEvents(ctx context.Context, batch, typ string, from, to time.Time, buckets int) (all []Event, err error) {
	if !to.After(from) || buckets < 1 || buckets > MaxBuckets {
		return nil, fmt.Errorf("events %w: from %v to %v in %d buckets: give a later end and 1 to %d buckets", ErrInvalid, from, to, buckets, MaxBuckets)
	}
	tx, err := j.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	var no int64
	switch err := tx.QueryRowContext(ctx, "SELECT no FROM batch WHERE id = ?", batch).Scan(&no); {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, describe(err)
	}
	last, err := tx.PrepareContext(ctx, lastOfText())
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = last.Close() }()
	begin, n := micros(from), int64(buckets)
	width, rest := (micros(to)-begin)/n, (micros(to)-begin)%n
	for i := range n {
		e, at := Event{Batch: batch, Type: typ}, int64(0)
		row := last.QueryRowContext(ctx, no, typ, begin+i*width+min(i, rest), begin+(i+1)*width+min(i+1, rest))
		err := wholeRow(row, func() string { return fmt.Sprintf("event %d of batch %s", e.N, batch) }, &e.N, &at, (*[]byte)(&e.Body))
		var d *damage
		switch {
		case errors.Is(err, sql.ErrNoRows):
			continue
		case errors.As(err, &d) && d.found != "":
			j.found.add(d.found)
			continue
		case err != nil:
			return nil, fmt.Errorf("read the last %s of a bucket of batch %s: %w", typ, batch, describe(err))
		}
		e.Time = fromMicros(at)
		all = append(all, e)
	}
	return all, nil
}
