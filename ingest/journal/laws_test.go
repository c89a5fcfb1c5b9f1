package journal_test

import (
	"cmp"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// drawReadings draws distinct readings, of clocked and clockless sensors.
func drawReadings(t *rapid.T) []ingest.Reading {
	one := rapid.Custom(func(t *rapid.T) ingest.Reading {
		clock := rapid.Bool().Draw(t, "clock")
		sensor := "clockless"
		at := pitch.Add(time.Duration(rapid.IntRange(0, 20).Draw(t, "minute")) * time.Minute)
		arrived := at
		if clock {
			sensor = rapid.SampledFrom([]string{"float-1", "float-2"}).Draw(t, "sensor")
			arrived = at.Add(time.Duration(rapid.IntRange(-3, 3_000_000).Draw(t, "lag")) * time.Millisecond)
		}
		return ingest.Reading{
			Sensor: sensor, Quantity: rapid.SampledFrom([]ingest.Quantity{ingest.Gravity, ingest.Temperature}).Draw(t, "quantity"),
			Time: at, Arrived: arrived, DeviceTime: clock, Value: rapid.SampledFrom([]float64{0, -1, 1.0132, 19.6}).Draw(t, "value"),
		}
	})
	// A device that gives two values for one time has no say in which is kept:
	// the law is about the same readings.
	return rapid.SliceOfNDistinct(one, 1, 40, func(r ingest.Reading) [4]any {
		key := [4]any{r.Sensor, r.Quantity, r.Time}
		if !r.DeviceTime {
			key[3] = r.Value
		}
		return key
	}).Draw(t, "readings")
}

func sorted(readings []ingest.Reading) []ingest.Reading {
	slices.SortFunc(readings, func(a, b ingest.Reading) int {
		return cmp.Or(cmp.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Quantity, b.Quantity), a.Time.Compare(b.Time), cmp.Compare(a.Value, b.Value))
	})
	return readings
}

// Law: any order, duplication and grouping of the same readings, also from
// several goroutines at once, gives the same rows.
func TestSameReadingsGiveTheSameRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawReadings(t)
		again := rapid.SliceOfN(rapid.SampledFrom(want), 0, 40).Draw(t, "again")
		stream := rapid.Permutation(append(slices.Clone(want), again...)).Draw(t, "stream")

		j := openDrawn(t)
		var calls sync.WaitGroup
		for len(stream) > 0 {
			n := rapid.IntRange(1, len(stream)).Draw(t, "group")
			group := stream[:n]
			stream = stream[n:]
			if rapid.Bool().Draw(t, "at once") {
				calls.Go(func() {
					if err := j.Record(t.Context(), group, nil); err != nil {
						t.Errorf("record: %v", err)
					}
				})
				continue
			}
			require.NoError(t, j.Record(t.Context(), group, nil))
		}
		calls.Wait()

		stored, err := j.ReadingsAfter(t.Context(), 0, 0)
		require.NoError(t, err)
		var got []ingest.Reading
		for i, s := range stored {
			got = append(got, s.Reading)
			require.True(t, i == 0 || stored[i-1].Seq < s.Seq, "seq rises")
		}
		require.Equal(t, sorted(want), sorted(got))
		require.EqualValues(t, len(want), j.Stats().Readings)
		require.NoError(t, j.Check(t.Context()))
	})
}

func openDrawn(t *rapid.T) *journal.Journal {
	dir, err := os.MkdirTemp("", "ebbline-journal")
	require.NoError(t, err)
	journaltest.Begin(t, dir)
	j, err := journal.Open(dir, journal.Options{})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, j.Close())
		require.NoError(t, os.RemoveAll(dir))
	})
	return j
}

// Law: Series is what one gets by looking at every reading, bucket by bucket,
// in whatever order they arrive and wherever the buckets' edges lie.
func TestSeriesIsWhatLookingAtEveryReadingGives(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		j := openDrawn(t)
		var all []ingest.Reading
		at := pitch
		for range rapid.IntRange(0, 60).Draw(t, "count") {
			longest := rapid.SampledFrom([]int{90_000_000, 9_000_000_000}).Draw(t, "longest step")
			at = at.Add(time.Duration(rapid.IntRange(1, longest).Draw(t, "step")) * time.Microsecond)
			all = append(all, ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: rapid.Float64Range(0.98, 1.2).Draw(t, "value")})
		}
		arriving := all
		if len(all) > 1 && rapid.Bool().Draw(t, "late ones") {
			arriving = rapid.Permutation(all).Draw(t, "arrival")
		}
		first := rapid.IntRange(0, len(arriving)).Draw(t, "first group") // each commit waits for the disk
		require.NoError(t, j.Record(t.Context(), arriving[:first], nil))
		require.NoError(t, j.Record(t.Context(), arriving[first:], nil))
		from := pitch.Add(time.Duration(rapid.IntRange(-1000, 1_000_000_000).Draw(t, "from")) * time.Microsecond)
		if rapid.Bool().Draw(t, "on the hour") {
			from = from.Truncate(time.Hour)
		}
		widest := rapid.SampledFrom([]int{5_000_000_000, 400_000_000_000}).Draw(t, "widest")
		to := from.Add(time.Duration(rapid.IntRange(1, widest).Draw(t, "span")) * time.Microsecond)
		n := rapid.IntRange(1, 50).Draw(t, "buckets")

		got, err := j.Series(t.Context(), "float-1", ingest.Gravity, from, to, n)
		require.NoError(t, err)
		for i, b := range got {
			end := to
			if i+1 < len(got) {
				end = got[i+1].Time
			}
			// A gap's edge is not given, so look no further than a bucket's length.
			if longest := b.Time.Add(to.Sub(from)/time.Duration(n) + time.Microsecond); end.After(longest) {
				end = longest
			}
			want := binned(all, b.Time, end)
			require.Equal(t, want.Count, b.Count)
			require.Equal(t, []float64{want.Min, want.Max, want.Last}, []float64{b.Min, b.Max, b.Last})
			require.InDelta(t, want.Mean, b.Mean, 1e-12, "sums of ones in another order")
		}
		var counted int64
		for _, b := range got {
			counted += b.Count
		}
		require.Equal(t, binned(all, from, to).Count, counted, "every reading in one bucket")
	})
}

func binned(all []ingest.Reading, from, to time.Time) (b journal.Bin) {
	sum := 0.0
	for _, r := range all {
		if r.Time.Before(from) || !r.Time.Before(to) {
			continue
		}
		if b.Count == 0 {
			b.Min, b.Max = r.Value, r.Value
		}
		b.Count++
		b.Min, b.Max, b.Last = min(b.Min, r.Value), max(b.Max, r.Value), r.Value
		sum += r.Value
		b.Mean = sum / float64(b.Count)
	}
	return b
}

// Law: reading the inputs page by page, of whatever size, gives each once, in
// one order of Seq over readings and entries, and nothing of other sensors.
func TestInputsComeOnceAndInOrder(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		j := openDrawn(t)
		_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat-12", Started: pitch, Sensors: []string{"float-1"}})
		require.NoError(t, err)
		var want []int64
		for i := range rapid.IntRange(0, 30).Draw(t, "count") {
			at := pitch.Add(time.Duration(i) * time.Minute)
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				seq, err := j.AddEntry(t.Context(), journal.Entry{Batch: "wheat-12", Kind: journal.NoteEntry, Time: at, Entered: at})
				require.NoError(t, err)
				want = append(want, seq)
			case 1:
				early := reading("float-1", ingest.Gravity, -time.Duration(i+1)*time.Minute, 1)
				require.NoError(t, j.Record(t.Context(), []ingest.Reading{reading("float-2", ingest.Gravity, at.Sub(pitch), 1), early}, nil))
			default:
				q := rapid.SampledFrom([]ingest.Quantity{ingest.Gravity, ingest.Temperature}).Draw(t, "quantity")
				require.NoError(t, j.Record(t.Context(), []ingest.Reading{reading("float-1", q, at.Sub(pitch), 1)}, nil))
				want = append(want, j.Stats().LastSeq)
			}
		}
		limit := rapid.IntRange(1, 10).Draw(t, "limit")
		var got []int64
		for after := int64(0); ; {
			readings, entries, err := j.Inputs(t.Context(), "wheat-12", []string{"float-1"}, after, pitch, limit)
			require.NoError(t, err)
			var page []int64
			for _, r := range readings {
				page = append(page, r.Seq)
			}
			for _, e := range entries {
				page = append(page, e.Seq)
			}
			slices.Sort(page)
			got = append(got, page...)
			if len(page) < limit {
				break
			}
			require.Len(t, page, limit)
			after = page[len(page)-1]
		}
		require.Equal(t, want, got)
	})
}
