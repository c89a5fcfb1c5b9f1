package main

import (
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// judged is one capture with its truth.
type judged struct {
	name, kind string
	capture    string // path
	file       config.BatchFile
	truth      truth
}

// truth is what a capture's beer really was, hour by hour since pitch.
type truth struct {
	gravity []float64 // SG
	abv     []float64 // % ABV
	crashed []float64 // % ABV five days after a crash that starts then
}

// between reads a column h hours after pitch, linear between the hours.
func between(column []float64, h float64) float64 {
	k := int(h)
	switch {
	case h <= 0:
		return column[0]
	case k >= len(column)-1:
		return column[len(column)-1]
	}
	return column[k] + (column[k+1]-column[k])*(h-float64(k))
}

// crossing is when the true strength passes the ceiling, h after pitch.
func (t truth) crossing(ceiling float64) (float64, bool) {
	for k := 1; k < len(t.abv); k++ {
		if t.abv[k] > ceiling {
			return float64(k-1) + (ceiling-t.abv[k-1])/(t.abv[k]-t.abv[k-1]), true
		}
	}
	return 0, false
}

func loadJudged(dir, kind string) (*judged, error) {
	j := &judged{name: filepath.Base(dir), kind: kind, capture: filepath.Join(dir, "capture.jsonl.gz")}
	var err error
	if j.file, err = config.LoadBatch(filepath.Join(dir, "batch.yaml")); err != nil {
		return nil, err
	}
	if j.truth, err = loadTruth(filepath.Join(dir, "truth.csv.gz")); err != nil {
		return nil, err
	}
	return j, nil
}

func unzipped(path string, read func(io.Reader) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if err := read(z); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

func loadTruth(path string) (t truth, err error) {
	return t, unzipped(path, func(r io.Reader) error {
		rows, err := csv.NewReader(r).ReadAll()
		if err != nil {
			return err
		}
		for _, row := range rows[1:] {
			var v [3]float64
			for k, col := range []int{1, 3, 4} {
				if v[k], err = strconv.ParseFloat(row[col], 64); err != nil {
					return err
				}
			}
			t.gravity, t.abv, t.crashed = append(t.gravity, v[0]), append(t.abv, v[1]), append(t.crashed, v[2])
		}
		return nil
	})
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(v))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

// dailySamples gives a batch one truthful sample by hand a day, which errs as
// its sample at pitch does. A batch that has samples keeps its own alone.
func (j *judged) dailySamples() {
	if len(j.file.Samples) > 0 {
		return
	}
	name := fnv.New64a()
	name.Write([]byte(j.name)) // never fails
	rng := rand.New(rand.NewPCG(name.Sum64(), 0xda11))
	for at := firstSample; at.Hours() < float64(len(j.truth.gravity)); at += 24 * time.Hour {
		shown := ferment.ReadByHand(gravity.SG(between(j.truth.gravity, at.Hours())), rng)
		j.file.Samples = append(j.file.Samples, projection.Sample{Time: j.file.Batch.PitchedAt.Add(at), Gravity: &shown})
	}
}
