package journal

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
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
	if quicktest.Ran(t) {
		return
	}
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

// Law: nor does it whether readings come one by one or in bursts, also if the
// heap of a burst is there when the record is opened.
func TestReadingsOfABurstAreReadings(t *testing.T) {
	t.Parallel()
	killed := t.TempDir()
	burst, placed := openTest(t, t.TempDir(), migrations()), openTest(t, t.TempDir(), migrations())
	hold, _, open := heapHeld(t, burst)
	for i, m := range scattered() {
		require.NoError(t, placed.Record(t.Context(), m, nil), i)
	}
	all := slices.Concat(scattered()...)
	require.NoError(t, burst.Record(t.Context(), all[:100], nil))
	hold()
	require.NoError(t, burst.Record(t.Context(), all[90:], nil))
	n, err := Inspect(t.Context(), burst.path)
	require.NoError(t, err)
	require.Equal(t, placed.Stats().Readings, n.Readings)
	require.Equal(t, seqless(ask(t, placed)), seqless(ask(t, burst)))
	require.NoError(t, burst.Backup(t.Context(), filepath.Join(killed, FileName)))
	open()

	again := openTest(t, killed, migrations())
	require.NoError(t, again.onWriter(t, func(*writer) error { return nil }))
	for _, j := range []*Journal{burst, again} {
		require.Equal(t, seqless(ask(t, placed)), seqless(ask(t, j)))
		require.Eventually(t, func() bool { return onHeap(t, j) <= freshMost }, time.Minute, time.Millisecond, "it is moved to its places by itself")
		require.NoError(t, j.Record(t.Context(), all[60:700], nil), "all of them known")
		require.Equal(t, seqless(ask(t, placed)), seqless(ask(t, j)))
		require.NoError(t, j.Check(t.Context()))
	}
	later := all[len(all)-1]
	later.Time = later.Time.Add(10 * time.Hour)
	var hours [][]string
	for _, j := range []*Journal{placed, burst, again} {
		require.NoError(t, j.Record(t.Context(), []ingest.Reading{later}, nil))
		require.NoError(t, j.onWriter(t, func(w *writer) (err error) {
			all, err := query(w.ctx, w.conn, "SELECT quantity || sensor || hour || ' ' || count || ' ' || least || ' ' || greatest || ' ' || last FROM hour JOIN series ON id = series ORDER BY 1", nil,
				func(row scanner) (s string, err error) { return s, row.Scan(&s) })
			hours = append(hours, all)
			return err
		}))
	}
	require.Len(t, hours[0], 7+6, "what is over of both floats")
	require.Equal(t, hours[0], hours[1])
	require.Equal(t, hours[0], hours[2])
}

// heapHeld gives what keeps a burst on the heap from then on, what waits until the
// writer stands still for it, and what lets it go.
func heapHeld(t *testing.T, j *Journal) (hold, standing, open func()) {
	t.Helper()
	var held atomic.Bool
	gate, stands := make(chan struct{}), make(chan struct{}, 1)
	open = sync.OnceFunc(func() { close(gate) })
	t.Cleanup(open)
	require.NoError(t, j.onWriter(t, func(w *writer) error {
		w.slow = func() {
			if held.Load() && w.inserted == 0 {
				select {
				case stands <- struct{}{}:
				default:
				}
				<-gate // what would be moved to its places stays on the heap
			}
		}
		return nil
	}))
	return func() { held.Store(true) }, func() { <-stands }, open
}

// seqless leaves out what depends on how often readings were said again.
func seqless(a answers) answers {
	for _, part := range [][]Stored{a.one, a.after, a.inputs} {
		for i := range part {
			part[i].Seq = 0
		}
	}
	for i := range a.seen {
		a.seen[i].Last.Seq = 0
	}
	a.last.Seq = 0
	for _, part := range [][]Bin{a.fine, a.coarse} {
		for i := range part {
			part[i].Mean = math.Round(part[i].Mean*1e9) / 1e9 // it is added up in another order
		}
	}
	return a
}

func onHeap(t *testing.T, j *Journal) (n int) {
	t.Helper()
	require.NoError(t, j.onWriter(t, func(w *writer) error { n = len(w.fresh); return nil }))
	return n
}

// Law: bursts of any size, with readings that come alone among them, give the
// record that readings one by one give.
func TestBurstsOfAnySize(t *testing.T) {
	t.Parallel()
	one, many := openTest(t, t.TempDir(), migrations()), openTest(t, t.TempDir(), migrations())
	r := rand.New(rand.NewPCG(3, 5))
	var burst []ingest.Reading
	size, most := 0, 0
	for i := range 12_000 {
		m := nth(i)
		if r.IntN(50) == 0 {
			m = nth(r.IntN(i + 1)) // known already
		}
		if r.IntN(3000) == 0 {
			m[0].Time = m[0].Time.Add(-time.Duration(r.IntN(9)) * time.Hour).Add(time.Millisecond) // of an hour that is over
		}
		if burst = append(burst, m...); len(burst) < size && i < 11_999 {
			continue
		}
		require.NoError(t, one.Record(t.Context(), burst, nil))
		require.NoError(t, one.onWriter(t, func(w *writer) error { return w.settle() }))
		require.NoError(t, many.Record(t.Context(), burst, nil))
		burst, size, most = nil, []int{1, 10, 100, 1000, 3000}[r.IntN(5)], max(most, onHeap(t, many))
	}
	require.Greater(t, most, freshMost)
	require.Equal(t, seqless(ask(t, one)), seqless(ask(t, many)))
	require.NoError(t, many.Check(t.Context()))
}

// The heap never holds more than its bound: of one after the other a small one, of
// a burst a large one, which shrinks as soon as there is time.
func TestTheHeapIsBounded(t *testing.T) {
	t.Parallel()
	j := openTest(t, t.TempDir(), migrations())
	for i := range freshMost + 10 {
		require.NoError(t, j.Record(t.Context(), nth(i), nil))
		require.LessOrEqual(t, onHeap(t, j), freshMost)
	}
	begun := freshMost + 10
	for begun < 3*burstMost {
		var many []ingest.Reading
		for range burstMost / 3 {
			many = append(many, nth(begun)...)
			begun++
		}
		require.NoError(t, j.Record(t.Context(), many, nil))
		require.LessOrEqual(t, onHeap(t, j), burstMost)
	}
	require.Eventually(t, func() bool { return onHeap(t, j) <= freshMost }, time.Minute, time.Millisecond)
	require.EqualValues(t, begun, j.Stats().Readings)
}
