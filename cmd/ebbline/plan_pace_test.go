package main

import (
	"bytes"
	"encoding/csv"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// truthHour is one row of a capture's truth.
type truthHour struct {
	gravity, celsius, abv, final float64
}

func truthOf(t *testing.T, file string) []truthHour {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(unpacked(t, file))).ReadAll()
	require.NoError(t, err)
	require.Equal(t, "time,gravity,temperature_c,abv,final_abv_if_crash_starts_now", strings.Join(rows[0], ","))
	var all []truthHour
	for _, r := range rows[1:] {
		var x [4]float64
		for i := range x {
			x[i], err = strconv.ParseFloat(r[i+1], 64)
			require.NoError(t, err)
		}
		all = append(all, truthHour{x[0], x[1], x[2], x[3]})
	}
	return all
}

// The pace before brew day against batches whose truth is known and which come
// from a model that is not ours: over-run and the day of reaching the ceiling lie
// in the span of 8 in 10 in about 8 of 10.
func TestPaceOfCaptures(t *testing.T) {
	files, err := filepath.Glob("../../testdata/captures/*/truth.csv.gz")
	require.NoError(t, err)
	require.Len(t, files, 84)
	var batches, overIn, daysIn int
	for _, file := range files {
		if strings.Contains(file, "maltneg") {
			continue // most come to rest below the ceiling
		}
		b, err := config.LoadBatch(filepath.Join(filepath.Dir(file), "batch.yaml"))
		require.NoError(t, err)
		truth := truthOf(t, file)
		limit := float64(b.Batch.Ceiling.Limit)
		start := firstHour(truth, func(h truthHour) bool { return h.final >= limit }) // a crash then just breaks it
		cross := firstHour(truth, func(h truthHour) bool { return h.abv >= limit })
		if start < 0 || cross < 0 {
			continue
		}
		batches++
		r := planRequest{
			yeast: b.Batch.Yeast, temperature: gravity.Celsius(truth[start].celsius), crashTo: b.Batch.Crash.To,
			timeConstant: b.Batch.Crash.TimeConstant,
		}
		target := gravity.Points((truth[0].gravity - truth[cross].gravity) * 1000)
		e := expect(r, target, target)
		fall := float64(gravity.Balling.GravityAt(gravity.SG(truth[0].gravity), gravity.ABV(truth[start].abv)) -
			gravity.Balling.GravityAt(gravity.SG(truth[0].gravity), gravity.ABV(truth[start].final)))
		if fall *= 1000; fall >= e.overRun.P10 && fall <= e.overRun.P90 {
			overIn++
		}
		if d := float64(cross) / 24; d >= e.target.P10 && d <= e.target.P90 {
			daysIn++
		}
	}
	t.Logf("%d batches: over-run inside in %d, days inside in %d", batches, overIn, daysIn)
	require.Greater(t, batches, 60)
	require.GreaterOrEqual(t, float64(overIn)/float64(batches), 0.70)
	require.GreaterOrEqual(t, float64(daysIn)/float64(batches), 0.70)
}

func firstHour(truth []truthHour, is func(truthHour) bool) int {
	for i, h := range truth {
		if is(h) {
			return i
		}
	}
	return -1
}

// Common practice: arrested beers of low gravity take three to six days; here
// 1.0155 at 18 °C, until the ceiling of 0.5 % would be reached.
func TestWindowOfDays(t *testing.T) {
	r := planRequest{yeast: projection.StandardYeast, temperature: 18, crashTo: 2, timeConstant: 6 * time.Hour}
	e := expect(r, 2.9, 3.84)
	require.True(t, e.target.P50 > 3 && e.target.P50 < 6, "%v", e.target)
	require.True(t, e.target.P10 < 3 && e.target.P90 > 5, "%v", e.target)
}

// "At 0.10 points an hour a refrigerator crash adds about 1 point": the fact
// sheet's sum of cooling_equivalent_time.csv.
func TestRefrigeratorCrashAddsAboutAPoint(t *testing.T) {
	r := planRequest{yeast: projection.StandardYeast, temperature: 20, crashTo: 2, timeConstant: 7 * time.Hour}
	require.InDelta(t, 1.1, expect(r, 2.9, 3.84).overRun.P50, 0.3)
}

// Faster cooling and cooler beer leave less to run over.
func TestFasterCoolingRunsOverLess(t *testing.T) {
	r := planRequest{yeast: projection.StandardYeast, temperature: 20, crashTo: 2, timeConstant: 8 * time.Hour}
	slow := expect(r, 2.9, 3.84)
	r.timeConstant = time.Hour
	fast := expect(r, 2.9, 3.84)
	require.Less(t, fast.overRun.P50, slow.overRun.P50)
	require.Less(t, fast.lead.P50, slow.lead.P50)
	r.temperature = 12
	cool := expect(r, 2.9, 3.84)
	require.Less(t, cool.overRun.P50, fast.overRun.P50)
	require.Greater(t, cool.target.P50, fast.target.P50)
}
