package config

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// Law: with the batch file beside it, every message of a capture gives its
// readings, none is left without an answer, and a second run gives the same.
func TestCapturesDecodeWithTheirBatchFiles(t *testing.T) {
	folders, err := filepath.Glob("../../../testdata/captures/*-0[0-3]")
	require.NoError(t, err)
	require.NotEmpty(t, folders)
	for _, folder := range folders {
		f, err := LoadBatch(filepath.Join(folder, "batch.yaml"))
		require.NoError(t, err)
		messages := captured(t, filepath.Join(folder, "capture.jsonl.gz"))
		require.NotEmpty(t, messages)
		var runs [2][]ingest.Reading
		for run := range runs {
			m, err := ingest.Compile(f.Sensors)
			require.NoError(t, err)
			for _, msg := range messages {
				readings, refusals := m.Decode(msg)
				require.NotEmpty(t, len(readings)+len(refusals))
				for _, r := range readings {
					require.False(t, r.Uncorrected)
				}
				runs[run] = append(runs[run], readings...)
			}
		}
		require.Equal(t, runs[0], runs[1])
		require.Greater(t, len(runs[0]), 19*len(messages)/10, folder)
	}
}

func captured(t *testing.T, path string) []ingest.Message {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer func() { _ = file.Close() }()
	z, err := gzip.NewReader(file)
	require.NoError(t, err)
	var all []ingest.Message
	lines := bufio.NewScanner(z)
	for lines.Scan() {
		var l struct {
			Time    time.Time
			Topic   string
			Payload json.RawMessage
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &l))
		all = append(all, ingest.Message{Topic: l.Topic, Payload: l.Payload, Arrived: l.Time})
	}
	require.NoError(t, lines.Err())
	return all
}
