package journal_test

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// BenchmarkRecord: messages of three readings by 64 callers at once, each
// waiting until its own is durable.
func BenchmarkRecord(b *testing.B) {
	j := openBench(b, b.TempDir())
	var n atomic.Int64
	b.SetParallelism(32)
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			i := n.Add(1)
			at := time.Duration(i) * time.Second
			sensor := "float-" + strconv.FormatInt(i%10, 10)
			require.NoError(b, j.Record(b.Context(), []ingest.Reading{
				reading(sensor, ingest.Gravity, at, 1.0132), reading(sensor, ingest.Temperature, at, 19.6), reading(sensor, ingest.Battery, at, 3.91),
			}, nil))
		}
	})
	b.ReportMetric(float64(3*b.N)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64(b.N)/float64(j.Stats().Groups), "messages/commit")
}

// BenchmarkRecordOneTransactionARow is the baseline: the same table, each row
// in a transaction of its own.
func BenchmarkRecordOneTransactionARow(b *testing.B) {
	dir := b.TempDir()
	require.NoError(b, openBench(b, dir).Close())
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, journal.FileName)+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	require.NoError(b, err)
	defer func() { _ = db.Close() }()
	_, err = db.ExecContext(b.Context(), "INSERT INTO series (id, sensor, quantity, binned) VALUES (1, 'float-1', 'gravity', 0)")
	require.NoError(b, err)
	insert, err := db.PrepareContext(b.Context(), "INSERT INTO reading (series, time, tie, lag, value, flags, seq) VALUES (1, ?1, 0, 0, 1.0132, 0, ?1)")
	require.NoError(b, err)
	defer func() { _ = insert.Close() }()
	b.ResetTimer()
	for i := range b.N {
		_, err := insert.ExecContext(b.Context(), i)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func openBench(b *testing.B, dir string) *journal.Journal {
	b.Helper()
	j, err := journal.Open(dir, journal.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, j.Close()) })
	return j
}

// fill stores rows of ten sensors, one a minute each.
func fill(b *testing.B, j *journal.Journal, rows int) {
	b.Helper()
	chunk := make([]ingest.Reading, 0, 10_000)
	for i := range rows {
		chunk = append(chunk, reading("float-"+strconv.Itoa(i%10), ingest.Gravity, time.Duration(i/10)*time.Minute, 1.0132-float64(i)/1e9))
		if len(chunk) == cap(chunk) || i == rows-1 {
			require.NoError(b, j.Record(context.Background(), chunk, nil))
			chunk = chunk[:0]
		}
	}
}

// BenchmarkOpen opens a journal of two million readings.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	j := openBench(b, dir)
	fill(b, j, 2_000_000)
	require.NoError(b, j.Close())
	info, err := os.Stat(filepath.Join(dir, journal.FileName))
	require.NoError(b, err)
	b.ResetTimer()
	for range b.N {
		again, err := journal.Open(dir, journal.Options{})
		require.NoError(b, err)
		b.StopTimer()
		require.NoError(b, again.Close())
		b.StartTimer()
	}
	b.ReportMetric(float64(info.Size())/2e6, "bytes/row")
}

// BenchmarkSeries bins a million readings of one series into 500 buckets; the
// baseline lets SQLite group them.
func BenchmarkSeries(b *testing.B) {
	const rows = 1_000_000
	dir := b.TempDir()
	j := openBench(b, dir)
	chunk := make([]ingest.Reading, 0, 10_000)
	for i := range rows {
		chunk = append(chunk, reading("float-1", ingest.Gravity, time.Duration(i)*time.Minute, 1.0132-float64(i)/1e9))
		if len(chunk) == cap(chunk) {
			require.NoError(b, j.Record(context.Background(), chunk, nil))
			chunk = chunk[:0]
		}
	}
	from, to := pitch, pitch.Add(rows*time.Minute)
	b.Run("buckets", func(b *testing.B) {
		for range b.N {
			bins, err := j.Series(b.Context(), "float-1", ingest.Gravity, from, to, 500)
			require.NoError(b, err)
			require.Len(b, bins, 500)
		}
	})
	b.Run("week", func(b *testing.B) {
		for range b.N {
			bins, err := j.Series(b.Context(), "float-1", ingest.Gravity, from, from.AddDate(0, 0, 7), 500)
			require.NoError(b, err)
			require.Len(b, bins, 500)
		}
	})
	b.Run("baseline-group-by", func(b *testing.B) {
		db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, journal.FileName))
		require.NoError(b, err)
		defer func() { _ = db.Close() }()
		b.ResetTimer()
		for range b.N {
			found, err := db.QueryContext(b.Context(), `SELECT (time - ?1) / ?2, count(*), min(value), avg(value), max(value), max(time) FROM reading
				WHERE series = 1 AND time >= ?1 AND time < ?3 GROUP BY 1`, from.UnixMicro(), to.Sub(from).Microseconds()/500, to.UnixMicro())
			require.NoError(b, err)
			n := 0
			for found.Next() {
				n++
			}
			require.NoError(b, errors.Join(found.Err(), found.Close()))
			require.GreaterOrEqual(b, n, 500)
		}
	})
}

// BenchmarkInputs asks for what is new in one batch while nine other sensors
// have a hundred thousand readings more.
func BenchmarkInputs(b *testing.B) {
	j := openBench(b, b.TempDir())
	fill(b, j, 1_000_000)
	last := j.Stats().LastSeq
	b.ResetTimer()
	for range b.N {
		readings, _, err := j.Inputs(b.Context(), "wheat-12", []string{"float-0"}, last-100_000, pitch, 20)
		require.NoError(b, err)
		require.Len(b, readings, 20)
	}
}
