package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"time"
)

// look is what a replay believed at one of its looks. Times are hours after
// pitch: not a number where there is none, infinite where it never comes.
type look struct {
	hour                           float64
	gravity, gravitySD, abv, abvSD float64 // SG, % ABV
	crosses, crashBy               float64 // probability; h
	crossing                       [3]float64
	left, crashed                  [3]float64 // % ABV, p10, p50, p90
}

// told is a line of a replay, as far as it is judged.
type told struct {
	Type         string
	Time         time.Time
	Gravity, ABV float64
	GravitySD    float64 `json:"gravity_sd"`
	ABVSD        float64 `json:"abv_sd"`
	Kind         string
	CrashBy      *time.Time                      `json:"crash_by"`
	IfLeft       struct{ P10, P50, P90 float64 } `json:"abv_if_left"`
	IfCrashed    struct{ P10, P50, P90 float64 } `json:"abv_if_crashed_now"`
	Crosses      struct {
		Probability   float64
		P10, P50, P90 *time.Time
	}
}

// note adds what a line says to the looks; an estimate begins one, the
// projection of the same time completes it.
func note(looks []look, l told, pitched time.Time) []look {
	hour := func(t *time.Time, none float64) float64 {
		if t == nil {
			return none
		}
		return t.Sub(pitched).Hours()
	}
	h := l.Time.Sub(pitched).Hours()
	switch {
	case l.Type == "estimate":
		return append(looks, look{hour: h, gravity: l.Gravity, gravitySD: l.GravitySD, abv: l.ABV, abvSD: l.ABVSD})
	case l.Type == "projection" && len(looks) > 0 && looks[len(looks)-1].hour == h:
		k := &looks[len(looks)-1]
		k.crosses, k.crashBy = l.Crosses.Probability, hour(l.CrashBy, math.NaN())
		for i, t := range []*time.Time{l.Crosses.P10, l.Crosses.P50, l.Crosses.P90} {
			k.crossing[i] = hour(t, math.Inf(1))
		}
		k.left = [3]float64{l.IfLeft.P10, l.IfLeft.P50, l.IfLeft.P90}
		k.crashed = [3]float64{l.IfCrashed.P10, l.IfCrashed.P50, l.IfCrashed.P90}
	}
	return looks
}

// saveLooks writes one row a look beside the truth. Times that never come or
// are not known are empty.
func saveLooks(path string, j *judged, v verdict) error {
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("writing what was believed: %w", err)
	}
	w := csv.NewWriter(f)
	rows := [][]string{{
		"hours", "true_gravity", "gravity", "gravity_sd", "true_abv", "abv", "abv_sd", "true_crossing_h", "crosses_probability",
		"crosses_p10_h", "crosses_p50_h", "crosses_p90_h", "crash_by_h", "true_final_abv_if_crash_now", "crashed_p10", "crashed_p50", "crashed_p90",
		"left_p10", "left_p50", "left_p90", "crash_now_raised",
	}}
	crossing := math.NaN()
	if v.crosses {
		crossing = v.crossing
	}
	for _, k := range v.course {
		raised := float64(count(v.alarmed && v.alarm <= k.hour))
		var row []string
		for _, x := range []float64{
			k.hour, between(j.truth.gravity, k.hour), k.gravity, k.gravitySD, between(j.truth.abv, k.hour), k.abv, k.abvSD, crossing, k.crosses,
			k.crossing[0], k.crossing[1], k.crossing[2], k.crashBy, between(j.truth.crashed, k.hour), k.crashed[0], k.crashed[1], k.crashed[2],
			k.left[0], k.left[1], k.left[2], raised,
		} {
			text := ""
			if !math.IsNaN(x) && !math.IsInf(x, 0) {
				text = strconv.FormatFloat(math.Round(x*1e6)/1e6, 'f', -1, 64)
			}
			row = append(row, text)
		}
		rows = append(rows, row)
	}
	if err := w.WriteAll(rows); err != nil {
		_ = f.Close()
		return fmt.Errorf("writing %s: %w", path, err)
	}
	return f.Close()
}
