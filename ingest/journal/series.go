package journal

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"ebbline/ingest"
)

// MaxBuckets is the most that Series gives.
const MaxBuckets = 10_000

// Series bins one series into buckets of equal length (to the microsecond)
// over from ≤ time < to. Buckets without a reading are left out. ErrInvalid if
// to is not after from, or buckets is not in 1..MaxBuckets.
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

const bucketText = `SELECT count(*), ifnull(min(value), 0), ifnull(max(value), 0), ifnull(avg(value), 0),
		ifnull((SELECT value FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3 ORDER BY time DESC, tie DESC LIMIT 1), 0)
		FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3`

// bins asks once per bucket: each is a range of the primary key, so nothing is
// sorted; SQLite cannot see that a GROUP BY over the bucket number is in order.
func (j *Journal) bins(ctx context.Context, sensor string, q ingest.Quantity, from, to, n int64) ([]Bin, error) {
	id, ok, err := first(ctx, j.read, "SELECT id FROM series WHERE sensor = ? AND quantity = ?", []any{sensor, string(q)},
		func(row scanner) (id int64, err error) { return id, row.Scan(&id) })
	if err != nil || !ok {
		return nil, err
	}
	tx, err := j.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = tx.Rollback() }()
	bucket, err := tx.PrepareContext(ctx, bucketText)
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = bucket.Close() }()
	var bins []Bin
	width, rest := (to-from)/n, (to-from)%n
	for i := range n {
		begin := from + i*width + min(i, rest)
		end := from + (i+1)*width + min(i+1, rest)
		b := Bin{Time: fromMicros(begin)}
		if err := bucket.QueryRowContext(ctx, id, begin, end).Scan(&b.Count, &b.Min, &b.Max, &b.Mean, &b.Last); err != nil {
			return nil, describe(err)
		}
		if b.Count > 0 {
			bins = append(bins, b)
		}
	}
	return bins, nil
}
