package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/deploy/quicktest"
	"ebbline/projection/ferment"
)

func unpacked(t testing.TB, name string) []byte {
	t.Helper()
	packed, err := os.ReadFile(name)
	require.NoError(t, err)
	z, err := gzip.NewReader(bytes.NewReader(packed))
	require.NoError(t, err)
	data, err := io.ReadAll(z)
	require.NoError(t, err)
	return data
}

// A written folder must be read by the same code as the captures of testdata,
// hold the same columns, and be the same again from the same seed.
func TestSimulateWritesFoldersLikeTheCaptures(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	dir, again := t.TempDir(), t.TempDir()
	var said bytes.Buffer
	kinds := []string{"plain", "maltneg"}
	require.NoError(t, (&SimulateCmd{Out: dir, Seed: 5, Count: 2, Kinds: kinds}).Run(&said))
	require.NoError(t, (&SimulateCmd{Out: again, Seed: 5, Count: 2, Kinds: kinds}).Run(&said))
	require.Contains(t, said.String(), "4 batches of 2 kinds")

	reference := filepath.Join("..", "..", "testdata", "captures", "plain-00")
	header := func(folder string) []string {
		rows, err := csv.NewReader(bytes.NewReader(unpacked(t, filepath.Join(folder, "truth.csv.gz")))).ReadAll()
		require.NoError(t, err)
		require.Equal(t, captureDays*24+1, len(rows), "a header and a row an hour") //nolint:testifylint // Len would print them all
		return rows[0]
	}
	for _, name := range []string{"plain-00", "plain-01", "maltneg-00", "maltneg-01"} {
		folder := filepath.Join(dir, name)
		require.Equal(t, header(reference), header(folder))
		for _, file := range []string{"truth.csv.gz", "capture.jsonl.gz"} {
			require.Equal(t, unpacked(t, filepath.Join(folder, file)), unpacked(t, filepath.Join(again, name, file)))
		}
		b, err := config.LoadBatch(filepath.Join(folder, "batch.yaml"))
		require.NoError(t, err)
		require.Equal(t, []string{"float-1"}, b.Batch.Sensors)
		require.Equal(t, name[len(name)-1] == '1', len(b.Samples) == 10, "every third batch has a sample a day")
		lines := bytes.Split(bytes.TrimSpace(unpacked(t, filepath.Join(folder, "capture.jsonl.gz"))), []byte("\n"))
		require.Len(t, lines, captureDays*24*4)
		var first struct {
			Time    time.Time
			Topic   string
			Payload struct{ G, T float64 }
		}
		require.NoError(t, json.Unmarshal(lines[0], &first))
		require.Equal(t, b.Batch.PitchedAt, first.Time.UTC())
		require.Equal(t, "cellar/float-1", first.Topic)
		require.Greater(t, first.Payload.G, 1.0)
	}
}

// The truth that is written must be what a batch crashed at that hour becomes.
func TestSimulateTellsTheTruthAboutACrash(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, (&SimulateCmd{Out: dir, Seed: 9, Count: 1, Kinds: []string{"slowcool"}}).Run(io.Discard))
	rows, err := csv.NewReader(bytes.NewReader(unpacked(t, filepath.Join(dir, "slowcool-00", "truth.csv.gz")))).ReadAll()
	require.NoError(t, err)
	for _, hour := range []int{10, 40, 80} {
		v := ferment.Draw(9, ferment.SlowCool)
		at := v.PitchedAt.Add(time.Duration(hour) * time.Hour)
		v.StartCrash(at)
		promised, err := strconv.ParseFloat(rows[hour+1][4], 64)
		require.NoError(t, err)
		require.InDelta(t, promised, float64(v.At(at.Add(5*24*time.Hour)).ABV), 1e-4)
	}
}

func TestSimulateRefuses(t *testing.T) {
	dir := t.TempDir()
	require.ErrorContains(t, (&SimulateCmd{Out: dir, Count: 1, Kinds: []string{"plane"}}).Run(io.Discard), `"plane"`)
	require.ErrorContains(t, (&SimulateCmd{Out: dir, Count: 0}).Run(io.Discard), "--count")
	require.NoError(t, (&SimulateCmd{Out: dir, Count: 1, Kinds: []string{"plain"}}).Run(io.Discard))
	require.ErrorContains(t, (&SimulateCmd{Out: dir, Count: 1, Kinds: []string{"plain"}}).Run(io.Discard), "choose another --out")
}
