package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/ingest"
)

// Law: whatever the readings, thinning leaves of each quarter of an hour the
// first, the last, the lowest and the highest, so that silences of a quarter or
// longer are the same ones; thinning again takes nothing more.
func TestThinningKeepsExtremesAndSilences(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var rows []placed
		at := micros(noon) + rapid.Int64Range(0, hourLong).Draw(t, "begin")
		for range rapid.IntRange(1, 120).Draw(t, "readings") {
			at += rapid.SampledFrom([]int64{1, 1e6, 60e6, 61e6, 899e6, quarterLong, 1300e6}).Draw(t, "pause")
			rows = append(rows, placed{time: at, tie: rapid.Int64Range(0, 1).Draw(t, "tie"), value: float64(rapid.IntRange(0, 9).Draw(t, "value"))})
		}
		out := superfluous(rows)
		left := slices.DeleteFunc(slices.Clone(rows), func(p placed) bool { return slices.Contains(out, p) })
		require.Len(t, left, len(rows)-len(out))
		require.Empty(t, superfluous(left))
		require.Equal(t, silences(rows), silences(left))
		before, after := quarters(rows), quarters(left)
		require.Len(t, after, len(before))
		for q, b := range before {
			a := after[q]
			require.LessOrEqual(t, a.Count, int64(4))
			a.Count, a.Mean = b.Count, b.Mean
			require.Equal(t, b, a)
		}
	})
}

// silences are the pauses of a quarter of an hour or more, by begin and end.
func silences(rows []placed) (all [][2]int64) {
	for i := 1; i < len(rows); i++ {
		if rows[i].time-rows[i-1].time >= quarterLong {
			all = append(all, [2]int64{rows[i-1].time, rows[i].time})
		}
	}
	return all
}

// quarters bins rows; Time is that of the first reading.
func quarters(rows []placed) map[int64]Bin {
	all := map[int64]Bin{}
	for _, r := range rows {
		q := quarterOf(r.time)
		all[q] = all[q].with(Bin{Time: fromMicros(r.time), Count: 1, Min: r.value, Max: r.value, Last: r.value})
	}
	return all
}

// minutesOf are days of a reading a minute, with holes.
func minutesOf(sensor string, days int) (all []ingest.Reading) {
	r := rand.New(rand.NewPCG(3, uint64(days)))
	for m := range days * 24 * 60 {
		at := noon.Add(time.Duration(m)*time.Minute + time.Duration(r.IntN(9_000_000))*time.Microsecond)
		if hole := m/700%3 == 2 && m%700 < 95; !hole {
			all = append(all, ingest.Reading{Sensor: sensor, Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: 1.01 + float64(r.IntN(400))/1e5})
		}
	}
	return all
}

// thinAll thins until nothing is left to do.
func thinAll(t *testing.T, j *Journal, how Thinning) (removed int64, steps int) {
	t.Helper()
	for {
		done, err := j.Thin(t.Context(), how)
		require.NoError(t, err)
		removed += done.Removed
		if !done.More {
			return removed, steps
		}
		steps++
	}
}

// Law: a graph by hours shows the same before and after; a finer one the same
// extremes at the same places; what is younger, or not yet read by who follows,
// is not touched; what was taken out and comes again changes nothing.
func TestAGraphOfThinnedReadings(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	const days = 4
	for _, sensor := range []string{"float-1", "float-2"} {
		for part := range slices.Chunk(minutesOf(sensor, days), 700) {
			require.NoError(t, j.Record(t.Context(), part, nil))
		}
	}
	all := j.Stats().Readings
	before := noon.AddDate(0, 0, 3).Add(20 * time.Minute) // so up to the full hour
	read := func(from, to time.Time, n int) []Bin {
		bins, err := j.Series(t.Context(), "float-1", ingest.Gravity, from, to, n)
		require.NoError(t, err)
		return bins
	}
	end := noon.AddDate(0, 0, days)
	hours, fine, young := read(noon, end, 24*days), read(noon, end, 96*days), read(before.Truncate(time.Hour), end, 1440)

	first, err := j.ReadingsAfter(t.Context(), 0, 1)
	require.NoError(t, err)
	removed, _ := thinAll(t, j, Thinning{Before: before, UpTo: first[0].Seq})
	require.Zero(t, removed, "a mirror has read only one")
	removed, steps := thinAll(t, j, Thinning{Before: before, UpTo: math.MaxInt64})
	require.Greater(t, removed, all/2)
	require.GreaterOrEqual(t, steps, int(all*3/4/thinMost), "small steps")
	require.Equal(t, all-removed, j.Stats().Readings)
	require.Equal(t, removed, j.Stats().Thinned)
	require.NoError(t, j.Check(t.Context()))

	check := func() {
		require.Equal(t, hours, read(noon, end, 24*days))
		require.Equal(t, young, read(before.Truncate(time.Hour), end, 1440))
		for i, b := range read(noon, end, 96*days) {
			if b.Time.Before(before.Truncate(time.Hour)) {
				require.LessOrEqual(t, b.Count, int64(4))
				b.Count, b.Mean = fine[i].Count, fine[i].Mean
			}
			require.Equal(t, fine[i], b)
		}
	}
	check()
	require.NoError(t, j.Close())
	j = openTest(t, dir, migrations())
	require.NoError(t, j.Record(t.Context(), minutesOf("float-1", days), nil))
	require.Equal(t, all-removed, j.Stats().Readings, "said again")
	check()

	for _, c := range []struct {
		sensor         string
		from, to, want time.Time
	}{
		{"float-1", noon, end, before.Truncate(time.Hour)},
		{"float-1", noon, noon.Add(30 * time.Hour), noon.Add(31 * time.Hour)},
		{"float-1", before, end, time.Time{}},                                          // younger
		{"float-1", noon.Add(-48 * time.Hour), noon.Add(-24 * time.Hour), time.Time{}}, // there were none
		{"float-9", noon, end, time.Time{}},
	} {
		until, err := j.ThinnedUntil(t.Context(), c.sensor, c.from, c.to)
		require.NoError(t, err)
		require.True(t, c.want.Equal(until), "%v: %v", c, until)
	}
	held, err := Inspect(t.Context(), filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.Equal(t, [2]int64{all - removed, removed}, [2]int64{held.Readings, held.Thinned})
}

// A late reading of a time that is thinned stays if thinning would have left it.
func TestALateReadingOfThinnedTimes(t *testing.T) {
	t.Parallel()
	j := openTest(t, t.TempDir(), migrations())
	put := func(minute float64, v float64) {
		at := noon.Add(time.Duration(minute * float64(time.Minute)))
		require.NoError(t, j.Record(t.Context(), []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: noon.AddDate(0, 0, 9), DeviceTime: true, Value: v}}, nil))
	}
	for _, m := range []float64{15, 17, 19, 21, 23, 25, 300} {
		put(m, 1.010)
	}
	removed, _ := thinAll(t, j, Thinning{Before: noon.Add(3 * time.Hour), UpTo: math.MaxInt64})
	require.EqualValues(t, 4, removed, "first and last of equal ones stay")
	for _, c := range []struct {
		minute, value float64
		stays         bool
	}{{20, 1.010, false}, {20, 1.011, true}, {24, 1.0105, false}, {14, 1.009, true}, {26, 1.010, true}, {26, 1.010, false}, {25.5, 1.010, false}, {55, 1.02, true}} {
		rows := j.Stats().Readings
		put(c.minute, c.value)
		require.Equal(t, c.stays, j.Stats().Readings == rows+1, "%v", c)
	}
	bins, err := j.Series(t.Context(), "float-1", ingest.Gravity, noon, noon.Add(time.Hour), 1)
	require.NoError(t, err)
	require.Len(t, bins, 1)
	require.EqualValues(t, 6+4, bins[0].Count, "of the hour all count that came")
	require.InDelta(t, 1.009, bins[0].Min, 0)
	require.InDelta(t, 1.02, bins[0].Max, 0)
	require.InDelta(t, 1.02, bins[0].Last, 0)
	require.NoError(t, j.Check(t.Context()))
}

// ThinVictim, if set in the environment, makes this test binary a process that
// thins the journal of that folder until it is killed.
const ThinVictim = "EBBLINE_TEST_THIN_VICTIM"

// ThinSlowly is the process to be killed: a line for each step.
func ThinSlowly(dir string) error {
	j, err := Open(dir, Options{})
	if err != nil {
		return err
	}
	for {
		done, err := j.Thin(context.Background(), Thinning{Before: noon.AddDate(0, 0, 30), UpTo: math.MaxInt64})
		if err != nil || !done.More {
			return fmt.Errorf("done, not killed: %w", err)
		}
		fmt.Println("step")
	}
}

// Law: killed at any moment of thinning, the record is sound and thinning goes
// on to the same end.
func TestKilledWhileThinning(t *testing.T) {
	t.Parallel()
	want, killed := t.TempDir(), t.TempDir()
	j := openTest(t, want, migrations())
	for part := range slices.Chunk(minutesOf("float-1", 12), 1400) {
		require.NoError(t, j.Record(t.Context(), part, nil))
	}
	require.NoError(t, j.Backup(t.Context(), filepath.Join(killed, FileName)))
	removed, steps := thinAll(t, j, Thinning{Before: noon.AddDate(0, 0, 30), UpTo: math.MaxInt64})
	require.NoError(t, j.Close())

	exe, err := os.Executable()
	require.NoError(t, err)
	for i := range 4 {
		cmd := exec.CommandContext(t.Context(), exe)
		cmd.Env = append(os.Environ(), ThinVictim+"="+killed)
		cmd.Stderr = t.Output()
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		_, err = out.Read(make([]byte, 4)) // the first step is done
		if errors.Is(err, io.EOF) {        // those before it have left nothing
			require.Error(t, cmd.Wait())
			break
		}
		require.NoError(t, err)
		time.Sleep(time.Duration(i) * 300 * time.Microsecond) // at any moment of a later one
		require.NoError(t, cmd.Process.Kill())
		require.Error(t, cmd.Wait())
	}
	again := openTest(t, killed, migrations())
	require.NoError(t, again.Check(t.Context()))
	done := again.Stats().Thinned
	require.Positive(t, done)
	rest, left := thinAll(t, again, Thinning{Before: noon.AddDate(0, 0, 30), UpTo: math.MaxInt64})
	require.Equal(t, removed, done+rest)
	t.Log(strconv.Itoa(left) + " of " + strconv.Itoa(steps) + " steps were left after four kills")
	require.NoError(t, again.Close())
	require.Equal(t, contents(t, filepath.Join(want, FileName)), contents(t, filepath.Join(killed, FileName)))
}

// How fast the record grows is not told of its first days, and then the same by
// the open journal, by a look into its file before the log is brought into that,
// and after it; a watch's snapshot, large at once and never larger, is no growth.
func TestGrowthOfAnOpenJournal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := openTest(t, dir, migrations())
	file := filepath.Join(dir, FileName)
	looked := func() int64 {
		held, err := Inspect(t.Context(), file)
		require.NoError(t, err)
		return held.YearBytes()
	}
	asked := func(days int) int64 {
		year, err := j.YearBytes(t.Context(), noon.AddDate(0, 0, days))
		require.NoError(t, err)
		return year
	}
	require.NoError(t, j.Record(t.Context(), minutesOf("float-1", 2), nil))
	require.Zero(t, asked(2))
	require.Zero(t, looked())
	require.NoError(t, j.Record(t.Context(), minutesOf("float-1", 5), nil))
	year := asked(5)
	// 83 bytes a reading, with hours and indices; measured with ten million of them.
	require.InEpsilon(t, 83*60*24*365, year, 0.5)
	require.InEpsilon(t, year, looked(), 0.05, "what lies in the log counts")
	_, err := j.CreateBatch(t.Context(), Batch{ID: "b", Name: "b", Started: noon})
	require.NoError(t, err)
	require.NoError(t, j.Say(t.Context(), "b", 1, make([]byte, 800_000), nil, nil, nil, noon, nil))
	require.InEpsilon(t, year, asked(5), 0.05)
	require.NoError(t, j.Close())
	require.InEpsilon(t, year, looked(), 0.05)
	empty, err := openTest(t, t.TempDir(), migrations()).YearBytes(t.Context(), noon)
	require.NoError(t, err)
	require.Zero(t, empty)
}
