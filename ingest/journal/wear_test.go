package journal_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// BenchmarkWear: four floats, a message of two readings of each a minute, each
// made durable by itself as it comes in life: what a day of that writes to the
// disk, without what watches say, by six hours of it.
//
//	go test -run xxx -bench Wear -benchtime 1x ./ingest/journal
func BenchmarkWear(b *testing.B) {
	const hours = 6
	for b.Loop() {
		j := openBench(b, b.TempDir())
		send := func(from, to int) {
			for m := from; m < to; m++ {
				for f := range 4 {
					at := time.Duration(m)*time.Minute + time.Duration(f)*time.Second
					sensor := fmt.Sprintf("float-%d", f)
					require.NoError(b, j.Record(b.Context(), []ingest.Reading{
						reading(sensor, ingest.Gravity, at, 1.0132), reading(sensor, ingest.Temperature, at, 19.6),
					}, nil))
				}
			}
		}
		send(0, 60)
		before := written(b)
		send(60, 60+60*hours)
		b.ReportMetric(float64(written(b)-before)/1e6*24/hours, "MB-written/day")
		b.ReportMetric(float64(written(b)-before)/1e3/(4*60*hours), "kB-written/message")
	}
}

// written are the bytes that this process has caused to be sent to the disk, by proc(5).
func written(b *testing.B) int64 {
	raw, err := os.ReadFile("/proc/self/io")
	require.NoError(b, err)
	_, rest, found := strings.Cut(string(raw), "\nwrite_bytes: ")
	require.True(b, found)
	text, _, _ := strings.Cut(rest, "\n")
	n, err := strconv.ParseInt(text, 10, 64)
	require.NoError(b, err)
	return n
}
