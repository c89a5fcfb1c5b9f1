package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"ebbline/alert"
)

// verdict is how one capture was judged.
type verdict struct {
	dir        string
	name, kind string
	identity   int // 0: the batch's own; others draw other random numbers
	crosses    bool
	sampled    bool // has hand samples after pitch
	alarmed    bool
	alarm      float64 // h after pitch
	crossing   float64 // h after pitch
	final      float64 // % ABV of a crash half an hour after the alarm
	over       bool
	unused     float64
	lineOver   bool // the same for the straight line
	lineUnused float64
	missed     [2]float64 // h, of p50, 24 and 8 h ahead; NaN if none
	inside     [2]bool    // p10..p90 holds the truth
	gravityRMS float64    // points
	held       int        // truths within ±1.645 deviations
	squares    float64    // of the gravity's errors, points²
	counted    int
	took       time.Duration
	course     []look
}

// label tells one run of a capture from its others.
func (v verdict) label() string {
	if v.identity == 0 {
		return v.name
	}
	return fmt.Sprintf("%s~%d", v.name, v.identity)
}

// judgeOne replays a capture and judges what was said.
func judgeOne(j *judged) (verdict, error) {
	began := time.Now()
	v := verdict{name: j.name, kind: j.kind, sampled: len(j.file.Samples) > 0, missed: [2]float64{math.NaN(), math.NaN()}}
	ceiling := float64(j.file.Batch.Ceiling.Limit)
	v.crossing, v.crosses = j.truth.crossing(ceiling)
	in, name, closeIn, err := openCapture(j.capture, nil)
	if err != nil {
		return v, err
	}
	defer closeIn()
	var out bytes.Buffer
	r, err := newReplayer(j.file, alert.Options{}, &out)
	if err != nil {
		return v, err
	}
	if err := r.all(in, name); err != nil {
		return v, err
	}
	v.took = time.Since(began)
	lines := json.NewDecoder(&out)
	for lines.More() {
		var l told
		if err := lines.Decode(&l); err != nil {
			return v, fmt.Errorf("reading what the replay said: %w", err)
		}
		v.hear(j, l)
		v.course = note(v.course, l, j.file.Batch.PitchedAt)
	}
	v.gravityRMS = math.Sqrt(v.squares / float64(max(1, v.counted)))
	return v, v.settle(j, ceiling)
}

// hear judges one line.
func (v *verdict) hear(j *judged, l told) {
	pitched := j.file.Batch.PitchedAt
	h := l.Time.Sub(pitched).Hours()
	switch l.Type {
	case "estimate":
		if h < 2 || v.crosses && h > v.crossing {
			return
		}
		d := 1000 * (l.Gravity - between(j.truth.gravity, h))
		v.squares += d * d
		v.counted++
		if math.Abs(d) <= 1645*l.GravitySD {
			v.held++
		}
	case "projection":
		for k, ahead := range [...]float64{24, 8} {
			if v.crosses && math.IsNaN(v.missed[k]) && h >= v.crossing-ahead {
				v.missed[k], v.inside[k] = crossingMiss(l, pitched, v.crossing)
			}
		}
	case "alert":
		if l.Kind == string(alert.CrashNow) && !v.alarmed {
			v.alarmed, v.alarm = true, h
		}
	}
}

// crossingMiss is how far the median lies from the truth, and whether the
// interval holds it. A median that never crosses misses by the whole horizon.
func crossingMiss(l told, pitched time.Time, truth float64) (float64, bool) {
	h := func(t *time.Time) float64 {
		if t == nil {
			return math.Inf(1)
		}
		return t.Sub(pitched).Hours()
	}
	return math.Abs(h(l.Crosses.P50) - truth), h(l.Crosses.P10) <= truth && truth <= h(l.Crosses.P90)
}

// settle judges the alarm, and that of the straight line, by the truth.
func (v *verdict) settle(j *judged, ceiling float64) error {
	v.final, v.over, v.unused = outcome(j, v.alarm, v.alarmed, ceiling)
	readings, err := j.readings()
	if err != nil {
		return err
	}
	at, alarmed := straightLine(j.file.Batch, readings)
	_, v.lineOver, v.lineUnused = outcome(j, at, alarmed, ceiling)
	return nil
}

func outcome(j *judged, alarm float64, alarmed bool, ceiling float64) (final float64, over bool, unused float64) {
	if !alarmed {
		return math.NaN(), true, 0
	}
	final = between(j.truth.crashed, alarm+0.5)
	return final, final > ceiling, max(0, ceiling-final)
}

// file is the name of a file about one run.
func (v verdict) file(risk float64, ending string) string {
	if risk > 0 {
		return fmt.Sprintf("%s@%g.%s", v.label(), risk, ending)
	}
	return v.label() + "." + ending
}
