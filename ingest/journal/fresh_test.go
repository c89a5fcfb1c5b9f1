package journal

import (
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// answers are what a journal says to every question about readings.
type answers struct {
	one, after, inputs []Stored
	last               Stored
	seen               []SeriesSeen
	fine, coarse       []Bin
	rows               int64
}

func ask(t *testing.T, j *Journal) (a answers) {
	t.Helper()
	var err, errs error
	keep := func(e error) {
		if errs == nil {
			errs = e
		}
	}
	ctx := t.Context()
	a.one, err = j.Readings(ctx, "float-1", ingest.Gravity, noon.Add(time.Hour), noon.Add(5*time.Hour), 90)
	keep(err)
	a.after, err = j.ReadingsAfter(ctx, 11, 1000)
	keep(err)
	a.inputs, _, err = j.Inputs(ctx, "none", []string{"float-1", "float-2"}, 5, noon.Add(20*time.Minute), 300)
	keep(err)
	a.last, _, err = j.LastReading(ctx, "float-2", ingest.Gravity)
	keep(err)
	a.seen, err = j.Seen(ctx)
	keep(err)
	a.fine, err = j.Series(ctx, "float-1", ingest.Gravity, noon.Add(-time.Hour), noon.Add(8*time.Hour), 700)
	keep(err)
	a.coarse, err = j.Series(ctx, "float-1", ingest.Gravity, noon.Add(-time.Hour), noon.Add(8*time.Hour), 4)
	keep(err)
	a.rows = j.Stats().Readings
	require.NoError(t, errs)
	return a
}

// scattered are the minutes of two floats; one device empties its memory late,
// some readings come twice, and some have no time of their own.
func scattered() (messages [][]ingest.Reading) {
	r := rand.New(rand.NewPCG(7, 1))
	for m := range 400 {
		at := noon.Add(time.Duration(m) * time.Minute)
		for i, sensor := range []string{"float-1", "float-2"} {
			one := ingest.Reading{Sensor: sensor, Quantity: ingest.Gravity, Time: at, Arrived: at.Add(time.Second), DeviceTime: i == 0 || m%5 > 0, Value: 1.01 + float64(r.IntN(100))/1e5}
			if !one.DeviceTime {
				one.Time = one.Arrived
			}
			messages = append(messages, []ingest.Reading{one})
			if r.IntN(9) == 0 {
				one.Redelivered = true
				messages = append(messages, []ingest.Reading{one})
			}
		}
	}
	late := messages[300:340]
	messages = append(slices.Concat(messages[:300], messages[340:700]), slices.Concat(late, messages[700:])...)
	return messages
}

// Law: whether readings are fresh or in their places makes no difference to any
// question, nor to which of them are known already, before and after reopening.
func TestFreshReadingsAreReadings(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	alone, placed := openTest(t, dir, migrations()), openTest(t, t.TempDir(), migrations())
	heap := func(j *Journal) (n int) {
		require.NoError(t, j.onWriter(t, func(w *writer) error { n = len(w.fresh); return nil }))
		return n
	}
	most := 0
	for i, m := range scattered() {
		require.NoError(t, alone.Record(t.Context(), m, nil))
		require.NoError(t, placed.Record(t.Context(), m, nil))
		require.NoError(t, placed.onWriter(t, func(w *writer) error { return w.settle() }))
		if most = max(most, heap(alone)); i%97 == 0 {
			require.Equal(t, ask(t, placed), ask(t, alone), "after %d messages", i+1)
		}
	}
	require.Greater(t, most, 80, "an hour of both")
	require.LessOrEqual(t, most, freshMost)
	require.Zero(t, heap(placed))
	want := ask(t, alone)
	require.Equal(t, want, ask(t, placed))
	require.NotZero(t, heap(alone))

	held, err := Inspect(t.Context(), filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.Equal(t, want.rows, held.Readings)
	require.NoError(t, alone.Close())
	again := openTest(t, dir, migrations())
	require.Equal(t, want, ask(t, again))
	require.Equal(t, want.after[len(want.after)-1].Seq, again.Stats().LastSeq)
	for _, m := range scattered()[700:] { // said again: known, wherever it lies
		require.NoError(t, again.Record(t.Context(), m, nil))
	}
	require.Equal(t, want, ask(t, again))
	require.NoError(t, again.Check(t.Context()))
}

// The heap never holds more than its bound, and many at once go by it.
func TestManyAtOnceGoToTheirPlaces(t *testing.T) {
	t.Parallel()
	j := openTest(t, t.TempDir(), migrations())
	var fresh, rows int
	count := func() {
		require.NoError(t, j.onWriter(t, func(w *writer) error {
			fresh = len(w.fresh)
			return w.one("SELECT count(*) FROM reading", nil, &rows)
		}))
	}
	for i := range 3 {
		require.NoError(t, j.Record(t.Context(), nth(i), nil))
	}
	count()
	require.Equal(t, [2]int{3, 0}, [2]int{fresh, rows})
	var many []ingest.Reading
	for i := range freshGroup {
		many = append(many, nth(i)...)
	}
	require.NoError(t, j.Record(t.Context(), many, nil))
	count()
	require.Equal(t, [2]int{0, freshGroup}, [2]int{fresh, rows})
	require.EqualValues(t, freshGroup, j.Stats().Readings, "three of them were there already")
	for i := range freshMost + 10 {
		at := freshGroup + i
		require.NoError(t, j.Record(t.Context(), nth(at), nil))
	}
	count()
	require.Positive(t, fresh)
	require.LessOrEqual(t, fresh, freshMost)
	require.Equal(t, freshGroup+freshMost+10, fresh+rows)
}
