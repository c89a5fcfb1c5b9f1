package journal_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// BenchmarkMillions asks a journal of 20 floats, a reading of gravity and one of
// temperature a minute each, what a graph of 500 points wants. A million
// readings unless EBBLINE_READINGS says otherwise; filling takes the time.
//
//	EBBLINE_READINGS=10000000 go test -run '^$' -bench Millions ./ingest/journal
func BenchmarkMillions(b *testing.B) {
	rows := 1_000_000
	if text := os.Getenv("EBBLINE_READINGS"); text != "" {
		var err error
		rows, err = strconv.Atoi(text)
		require.NoError(b, err)
	}
	dir := b.TempDir()
	j := openBench(b, dir)
	const sensors = 20
	chunk := make([]ingest.Reading, 0, 10_000)
	for i := range rows / 2 {
		name, at := "float-"+strconv.Itoa(i%sensors), time.Duration(i/sensors)*time.Minute
		chunk = append(chunk, reading(name, ingest.Gravity, at, 1.0132-float64(i)/1e9), reading(name, ingest.Temperature, at, 19.5+float64(i%9)/10))
		if len(chunk) == cap(chunk) || i == rows/2-1 {
			require.NoError(b, j.Record(context.Background(), chunk, nil))
			chunk = chunk[:0]
		}
	}
	info, err := os.Stat(filepath.Join(dir, journal.FileName))
	require.NoError(b, err)
	all := time.Duration(rows/2/sensors) * time.Minute
	for _, span := range []time.Duration{24 * time.Hour, 7 * 24 * time.Hour, all} {
		b.Run(fmt.Sprintf("%d-days", span/(24*time.Hour)), func(b *testing.B) {
			for b.Loop() {
				bins, err := j.Series(b.Context(), "float-7", ingest.Gravity, pitch.Add(all-span), pitch.Add(all), 500)
				require.NoError(b, err)
				require.NotEmpty(b, bins)
			}
			b.ReportMetric(float64(info.Size())/float64(rows), "bytes/reading")
		})
	}
}
