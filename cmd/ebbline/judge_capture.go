package main

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"time"

	"go.yaml.in/yaml/v4"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// judged is one capture with its truth.
type judged struct {
	name, kind string
	batch      projection.Batch
	samples    []projection.Sample
	readings   []projection.Observation
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

// judgeFile is what of a batch file the bench needs.
type judgeFile struct {
	Batch struct {
		Name            string        `yaml:"name"`
		OriginalGravity float64       `yaml:"original_gravity"`
		Ceiling         float64       `yaml:"ceiling"`
		Yeast           string        `yaml:"yeast"`
		PitchedAt       time.Time     `yaml:"pitched_at"`
		ResponseTime    time.Duration `yaml:"response_time"`
		Crash           struct {
			TimeConstant time.Duration `yaml:"time_constant"`
		} `yaml:"crash"`
		Samples []struct {
			Time    time.Time `yaml:"time"`
			Gravity float64   `yaml:"gravity"`
		} `yaml:"samples"`
	} `yaml:"batch"`
}

func loadJudged(dir, kind string, risk float64) (*judged, error) {
	j := &judged{name: filepath.Base(dir), kind: kind}
	data, err := os.ReadFile(filepath.Join(dir, "batch.yaml"))
	if err != nil {
		return nil, err
	}
	var f judgeFile
	if err := yaml.Unmarshal(data, &f); err != nil {
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	b := f.Batch
	j.batch = projection.Batch{
		ID: b.Name, Name: b.Name, OriginalGravity: gravity.SG(b.OriginalGravity),
		Ceiling: gravity.Ceiling{Limit: gravity.ABV(b.Ceiling)}, Rule: gravity.Balling, Risk: risk,
		Yeast: projection.Yeast(b.Yeast), PitchedAt: b.PitchedAt, ResponseTime: b.ResponseTime,
		Crash: projection.Crash{To: 2, TimeConstant: b.Crash.TimeConstant}, Sensors: []string{"float-1"},
	}
	for _, s := range b.Samples {
		if s.Gravity > 0 {
			g := gravity.SG(s.Gravity)
			j.samples = append(j.samples, projection.Sample{Time: s.Time, Gravity: &g})
		}
	}
	if j.readings, err = loadReadings(filepath.Join(dir, "capture.jsonl.gz")); err != nil {
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
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if err := read(z); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

func loadReadings(path string) (out []projection.Observation, err error) {
	return out, unzipped(path, func(r io.Reader) error {
		d := json.NewDecoder(r)
		for d.More() {
			var l struct {
				Time    time.Time
				Payload struct{ G, T *float64 }
			}
			if err := d.Decode(&l); err != nil {
				return err
			}
			if l.Payload.T != nil {
				out = append(out, projection.Observation{Time: l.Time, Sensor: "float-1", Quantity: projection.Temperature, Value: *l.Payload.T})
			}
			if l.Payload.G != nil && *l.Payload.G > 0.98 && *l.Payload.G < 1.2 {
				out = append(out, projection.Observation{Time: l.Time, Sensor: "float-1", Quantity: projection.Gravity, Value: *l.Payload.G})
			}
		}
		return nil
	})
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

// inputs are readings and samples in time order.
func (j *judged) each(reading func(projection.Observation), sample func(projection.Sample)) {
	k := 0
	for _, o := range j.readings {
		for k < len(j.samples) && !j.samples[k].Time.After(o.Time) {
			sample(j.samples[k])
			k++
		}
		reading(o)
	}
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
