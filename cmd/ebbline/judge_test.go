package main

import (
	"bytes"
	"encoding/csv"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// shortCaptures are simulated batches of whose readings only the first hours
// are left, so that a replay is short.
func shortCaptures(t *testing.T, hours int) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, (&SimulateCmd{Out: dir, Seed: 31, Count: 2, Kinds: []string{"plain"}}).Run(io.Discard))
	names, err := filepath.Glob(filepath.Join(dir, "*", "capture.jsonl.gz"))
	require.NoError(t, err)
	require.Len(t, names, 2)
	for _, name := range names {
		lines := bytes.SplitAfter(unpacked(t, name), []byte("\n"))
		require.NoError(t, writeGzip(name, bytes.Join(lines[:4*hours], nil)))
	}
	return dir
}

// TestJudgeShowsBeliefBesideTruth: tables at each risk, the spread over other
// identities, a picture of the worst and the rows of all.
func TestJudgeShowsBeliefBesideTruth(t *testing.T) {
	dir, pictures, rows := shortCaptures(t, 4), t.TempDir(), t.TempDir()
	var out bytes.Buffer
	c := JudgeCmd{Dirs: []string{dir}, Risk: []float64{0.05, 0.2}, Each: true, Worst: true, Names: 1, Pictures: pictures, CSV: rows, DailySample: true}
	require.NoError(t, c.Run(&out))
	require.Contains(t, out.String(), "accepted risk 0.2")
	require.Contains(t, out.String(), "plain-01~1 ")
	require.Contains(t, out.String(), "crash-now spreads over names by")
	require.Contains(t, out.String(), "4 replays in")

	drawn, err := filepath.Glob(filepath.Join(pictures, "plain-*.png"))
	require.NoError(t, err)
	require.Len(t, drawn, 2, "the worst of the kind at each risk")
	f, err := os.Open(drawn[0])
	require.NoError(t, err)
	defer f.Close()
	img, err := png.Decode(f)
	require.NoError(t, err)
	inks := map[any]int{}
	for x := range img.Bounds().Dx() {
		for y := range img.Bounds().Dy() {
			inks[img.At(x, y)]++
		}
	}
	for name, ink := range map[string]any{"truth": truthInk(), "believed": believedInk(), "limit": limitInk(), "sample": sampleInk()} {
		n := 0
		for at, times := range inks {
			if sameInk(at, ink) {
				n += times
			}
		}
		require.Greater(t, n, 150, "pixels of %s", name)
	}

	saved, err := os.Open(filepath.Join(rows, "plain-00~1@0.05.csv"))
	require.NoError(t, err)
	defer saved.Close()
	table, err := csv.NewReader(saved).ReadAll()
	require.NoError(t, err)
	require.Equal(t, 1+15, len(table), "a row a look up to the last line") //nolint:testifylint // Len would print them all
	require.Equal(t, "true_gravity", table[0][1])
	v, err := strconv.ParseFloat(table[15][2], 64)
	require.NoError(t, err)
	truth, err := strconv.ParseFloat(table[15][1], 64)
	require.NoError(t, err)
	require.InDelta(t, truth, v, 0.004)
}

func sameInk(a, b any) bool {
	type rgba interface{ RGBA() (r, g, b, a uint32) }
	ar, ag, ab, aa := a.(rgba).RGBA()
	br, bg, bb, ba := b.(rgba).RGBA()
	return ar == br && ag == bg && ab == bb && aa == ba
}

// The samples added are those of every third simulated batch: a day apart, to
// half a point, near the truth; the same again from the same name.
func TestDailySamplesAreTruthfulAndLasting(t *testing.T) {
	c := JudgeCmd{DailySample: true}
	dir := shortCaptures(t, 1)
	j, err := c.load(filepath.Join(dir, "plain-00"), 0.1)
	require.NoError(t, err)
	again, err := c.load(filepath.Join(dir, "plain-00"), 0.1)
	require.NoError(t, err)
	require.Equal(t, j.file.Samples, again.file.Samples)
	require.Len(t, j.file.Samples, 10)
	require.InDelta(t, 0.1, j.file.Batch.Risk, 0)
	worst := 0.0
	for k, s := range j.file.Samples {
		h := s.Time.Sub(j.file.Batch.PitchedAt).Hours()
		require.InDelta(t, 20+24*k, h, 1e-9)
		halves := 2 * points(float64(*s.Gravity))
		require.InDelta(t, float64(int(halves+0.5)), halves, 1e-6)
		worst = max(worst, points(float64(*s.Gravity))-points(between(j.truth.gravity, h)))
	}
	require.Less(t, worst, 2.0, "five deviations")
	require.Greater(t, worst, 0.05)

	own, err := c.load(filepath.Join(dir, "plain-01"), 0)
	require.NoError(t, err)
	c.DailySample = false
	plain, err := c.load(filepath.Join(dir, "plain-01"), 0)
	require.NoError(t, err)
	require.Equal(t, plain.file.Samples, own.file.Samples, "a batch with samples keeps its own")
}

// The worst of each kind: over before unused, no alarm before over, a false one
// before none.
func TestWorstOfKinds(t *testing.T) {
	good := verdict{name: "a-0", kind: "a", crosses: true, alarmed: true, unused: 0.1}
	wasteful := verdict{name: "a-1", kind: "a", crosses: true, alarmed: true, unused: 0.4}
	over := verdict{name: "b-0", kind: "b", crosses: true, alarmed: true, over: true, final: 0.52}
	silent := verdict{name: "b-1", kind: "b", crosses: true, over: true}
	rests := verdict{name: "c-0", kind: "c"}
	mistaken := verdict{name: "c-1", kind: "c", alarmed: true}
	require.Equal(t, []verdict{wasteful, silent, mistaken}, worstOfKinds([]verdict{good, wasteful, over, silent, rests, mistaken}))
	require.Less(t, mistaken.harm(), wasteful.harm())
	require.Less(t, wasteful.harm(), over.harm())
}

// Captures of one name in two folders stay apart and are judged as one.
func TestJudgeTakesSeveralFolders(t *testing.T) {
	var out bytes.Buffer
	a, b := shortCaptures(t, 1), shortCaptures(t, 1)
	require.NoError(t, (&JudgeCmd{Dirs: []string{a, b}, Each: true, Only: "plain-00"}).Run(&out))
	for _, dir := range []string{a, b} {
		require.Contains(t, out.String(), filepath.Base(dir)+".plain-00 ")
	}
	require.Contains(t, out.String(), "2 replays in")
}

func TestJudgeRefuses(t *testing.T) {
	require.ErrorIs(t, (&JudgeCmd{Dirs: []string{t.TempDir()}}).Run(io.Discard), os.ErrNotExist)
	require.ErrorContains(t, (&JudgeCmd{Dirs: []string{shortCaptures(t, 1)}, Risk: []float64{1.5}}).Run(io.Discard), "--risk 1.5")
}

// The figures of four batches, reckoned by hand.
func TestTableOfFourBatches(t *testing.T) {
	nan := math.NaN()
	batches := []verdict{
		{kind: "a", crosses: true, alarmed: true, unused: 0.1, sampled: true, missed: [2]float64{4, 1}, inside: [2]bool{true, true}, gravityRMS: 0.3, held: 9, counted: 10, lineOver: true},
		{kind: "a", crosses: true, alarmed: true, over: true, missed: [2]float64{8, nan}, inside: [2]bool{false, false}, gravityRMS: 0.4, held: 20, counted: 30, lineUnused: 0.2},
		{kind: "b", alarmed: true, missed: [2]float64{nan, nan}, gravityRMS: 0.1, held: 40, counted: 40, took: 2 * time.Second},
		{kind: "b", missed: [2]float64{nan, nan}, gravityRMS: 0.1, held: 0, counted: 0, took: time.Second},
	}
	var out bytes.Buffer
	require.NoError(t, table(&out, batches))
	lines := strings.Split(out.String(), "\n")
	require.Equal(t, strings.Fields("a 2 2 50.0% 0.050 0.100 0.000 50.0% 0.100 6.0 1.0 50.0% 100.0% 0.35 72.5% - 0.00"), strings.Fields(lines[1]))
	require.Equal(t, strings.Fields("b 2 0 - - - - - - - - - - 0.10 100.0% 50.0% 1.50"), strings.Fields(lines[2]))
	require.Equal(t, strings.Fields("all 4 2 50.0% 0.050 0.100 0.000 50.0% 0.100 6.0 1.0 50.0% 100.0% 0.26 86.2% 50.0% 0.75"), strings.Fields(lines[3]))
}
