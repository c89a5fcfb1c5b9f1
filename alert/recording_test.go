package alert

import (
	"bufio"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/projection"
)

// message is what one line of a capture says, by its time.
type message struct {
	at  time.Time
	obs []projection.Observation
}

// hourly is what a capture's truth says for every hour since pitch.
type hourly struct{ gravity, abv, crashed []float64 }

func at(v []float64, h float64) float64 {
	k := min(max(int(h), 0), len(v)-2)
	f := min(1, h-float64(k))
	return v[k] + f*(v[k+1]-v[k])
}

// recording is a capture with its batch and its truth.
type recording struct {
	name     string
	file     config.BatchFile
	messages []message
	truth    hourly
}

func unzip(t testing.TB, path string) *bufio.Scanner {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	return bufio.NewScanner(z)
}

func captureDir(name string) string { return filepath.Join("..", "testdata", "captures", name) }

func truthOf(t testing.TB, name string) (h hourly) {
	t.Helper()
	var text strings.Builder
	for lines := unzip(t, filepath.Join(captureDir(name), "truth.csv.gz")); lines.Scan(); {
		text.WriteString(lines.Text() + "\n")
	}
	rows, err := csv.NewReader(strings.NewReader(text.String())).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		for k, to := range map[int]*[]float64{1: &h.gravity, 3: &h.abv, 4: &h.crashed} {
			v, err := strconv.ParseFloat(row[k], 64)
			require.NoError(t, err)
			*to = append(*to, v)
		}
	}
	return h
}

// record reads a capture through the mapper, as the daemon does.
func record(t testing.TB, name string) recording {
	t.Helper()
	file, err := config.LoadBatch(filepath.Join(captureDir(name), "batch.yaml"))
	require.NoError(t, err)
	mapper, err := ingest.Compile(file.Sensors)
	require.NoError(t, err)
	r := recording{name: name, file: file, truth: truthOf(t, name)}
	for lines := unzip(t, filepath.Join(captureDir(name), "capture.jsonl.gz")); lines.Scan(); {
		var l struct {
			Time    time.Time
			Topic   string
			Payload json.RawMessage
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &l))
		m := message{at: l.Time}
		readings, _ := mapper.Decode(ingest.Message{Topic: l.Topic, Payload: l.Payload, Arrived: l.Time})
		for _, g := range readings {
			m.obs = append(m.obs, projection.Observation{Time: g.Time, Sensor: g.Sensor, Quantity: projection.Quantity(g.Quantity), Value: g.Value})
		}
		r.messages = append(r.messages, m)
	}
	return r
}

// capture reads the readings of a recorded batch that come within the span.
func capture(t testing.TB, name string, span time.Duration) (within []message) {
	t.Helper()
	for _, m := range record(t, name).messages {
		if m.at.Sub(pitch) <= span {
			within = append(within, m)
		}
	}
	require.NotEmpty(t, within)
	return within
}
