package main

import (
	"math"
	"time"

	"ebbline/projection"
)

// verdict is how one capture was judged.
type verdict struct {
	name, kind string
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
	looks      int
	slowest    time.Duration
	typical    time.Duration
	took       time.Duration
}

// judgeOne runs a capture and judges it.
func judgeOne(j *judged) (verdict, error) {
	began := time.Now()
	v := verdict{name: j.name, kind: j.kind, sampled: len(j.samples) > 0, missed: [2]float64{math.NaN(), math.NaN()}}
	ceiling := float64(j.batch.Ceiling.Limit)
	v.crossing, v.crosses = j.truth.crossing(ceiling)
	e, err := projection.New(j.batch)
	if err != nil {
		return v, err
	}
	var spent []float64
	var squares float64
	ahead := [2]float64{24, 8}
	var seen [2]bool
	look := func(at time.Time, took time.Duration) {
		h := at.Sub(j.batch.PitchedAt).Hours()
		x := e.Estimate()
		if (!v.crosses || h <= v.crossing) && h >= 2 {
			d := 1000 * (float64(x.Gravity) - between(j.truth.gravity, h))
			squares += d * d
			v.looks++
			if math.Abs(d) <= 1645*float64(x.GravitySD) {
				v.held++
			}
		}
		if v.alarmed && (!v.crosses || h > v.crossing) {
			return
		}
		start := time.Now()
		p := e.Project()
		spent = append(spent, float64(took+time.Since(start)))
		if !v.alarmed && p.CrashDue(at.Add(15*time.Minute), j.batch.ResponseTime) {
			v.alarmed, v.alarm = true, h
		}
		for k := range ahead {
			if v.crosses && !seen[k] && h >= v.crossing-ahead[k] {
				seen[k] = true
				v.missed[k], v.inside[k] = crossingMiss(p.Crosses, j.batch.PitchedAt, v.crossing)
			}
		}
	}
	j.each(func(o projection.Observation) {
		start := time.Now()
		e.Observe(o)
		if o.Quantity == projection.Gravity {
			look(o.Time, time.Since(start))
		}
	}, e.Sample)
	v.gravityRMS = math.Sqrt(squares / float64(max(1, v.looks)))
	v.typical = time.Duration(median(spent))
	v.settle(j, ceiling)
	v.took = time.Since(began)
	return v, nil
}

// crossingMiss is how far the median lies from the truth, and whether the
// interval holds it. A median that never crosses misses by the whole horizon.
func crossingMiss(c projection.Crossing, pitched time.Time, truth float64) (float64, bool) {
	h := func(t *time.Time) float64 {
		if t == nil {
			return math.Inf(1)
		}
		return t.Sub(pitched).Hours()
	}
	return math.Abs(h(c.P50) - truth), h(c.P10) <= truth && truth <= h(c.P90)
}

// settle judges the alarm, and that of the straight line, by the truth.
func (v *verdict) settle(j *judged, ceiling float64) {
	v.final, v.over, v.unused = outcome(j, v.alarm, v.alarmed, ceiling)
	at, alarmed := straightLine(j, ceiling)
	_, v.lineOver, v.lineUnused = outcome(j, at, alarmed, ceiling)
}

func outcome(j *judged, alarm float64, alarmed bool, ceiling float64) (final float64, over bool, unused float64) {
	if !alarmed {
		return math.NaN(), true, 0
	}
	final = between(j.truth.crashed, alarm+0.5)
	return final, final > ceiling, max(0, ceiling-final)
}

// straightLine is the baseline to beat: a line through the last 12 hours of the
// float, its offset removed at pitch, with a fixed lead of 10 hours before it
// reaches the target.
func straightLine(j *judged, ceiling float64) (alarm float64, alarmed bool) {
	og := float64(j.batch.OriginalGravity)
	target := og - ceiling/131.25
	var hours, values, first []float64
	offset := math.NaN()
	for _, o := range j.readings {
		if o.Quantity != projection.Gravity {
			continue
		}
		h := o.Time.Sub(j.batch.PitchedAt).Hours()
		if h < 2 {
			first = append(first, o.Value)
			continue
		}
		if math.IsNaN(offset) && len(first) > 0 {
			offset = median(first) - og
		}
		hours, values = append(hours, h), append(values, o.Value-offset)
		for hours[0] < h-12 {
			hours, values = hours[1:], values[1:]
		}
		if h < 14 {
			continue
		}
		if slope, level := line(hours, values, h); slope < 0 && level+slope*10 <= target {
			return h, true
		}
	}
	return 0, false
}

// line is the least squares slope and the level at h.
func line(x, y []float64, h float64) (slope, level float64) {
	var mx, my, xx, xy float64
	n := float64(len(x))
	for k := range x {
		mx += x[k] / n
		my += y[k] / n
	}
	for k := range x {
		xx += (x[k] - mx) * (x[k] - mx)
		xy += (x[k] - mx) * (y[k] - my)
	}
	if xx == 0 {
		return 0, my
	}
	slope = xy / xx
	return slope, my + slope*(h-mx)
}
