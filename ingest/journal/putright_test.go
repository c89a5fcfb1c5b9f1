package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// Nine days before the time: three readings come under the right clock, three
// while it runs nine days ahead, one after it was put right. Those stamped ahead
// end where the one after them begins, in their order; what was said of the
// future is gone; the right ones, and a device's own right time, stay.
func TestPutRight(t *testing.T) {
	const ahead = 9 * 24 * time.Hour
	j := openTest(t, t.TempDir(), migrations())
	at := func(minute int) time.Time { return noon.Add(time.Duration(minute) * time.Minute) }
	record := func(arrived time.Time, own *time.Time, v float64) {
		r := ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: arrived, Arrived: arrived, Value: v}
		if own != nil {
			r.Time, r.DeviceTime = *own, true
		}
		require.NoError(t, j.Record(t.Context(), []ingest.Reading{r}, nil))
	}
	created, err := j.CreateBatch(t.Context(), Batch{ID: "b", Spec: []byte("{}"), Sensors: []string{"float-1"}, Started: noon})
	require.NoError(t, err)
	require.True(t, created)
	for i := range 3 {
		record(at(40*i), nil, 1.0150)
	}
	own := at(125)
	record(at(125).Add(ahead), &own, 1.0149)
	for i := range 3 {
		record(at(140+15*i).Add(ahead), nil, 1.0140-float64(i)*0.0001)
	}
	_, err = j.AddEntry(t.Context(), Entry{Batch: "b", Kind: SampleEntry, Time: at(172).Add(ahead), Entered: at(173).Add(ahead), Body: []byte("{}")})
	require.NoError(t, err)
	say := func(n int64, at time.Time, alerts ...Alert) {
		require.NoError(t, j.Say(t.Context(), "b", 3, []byte("state"), []Event{{N: n, Type: "estimate", Time: at, Body: []byte("{}")}}, alerts, nil, time.Time{}, nil))
	}
	say(1, at(45), Alert{ID: "b/sample-due/1", Batch: "b", Kind: "sample-due", Severity: "info", Raised: at(45), Recorded: at(45), Body: []byte("{}")})
	say(2, at(140).Add(ahead), Alert{ID: "b/crash-now/1", Batch: "b", Kind: "crash-now", Severity: "urgent", Raised: at(140).Add(ahead), Recorded: at(140).Add(ahead), Body: []byte("{}")})
	require.NoError(t, j.Snooze(t.Context(), "b/sample-due/1", at(200).Add(ahead)))
	record(at(180), nil, 1.0130)

	a, err := j.PutRight(t.Context(), at(190))
	require.NoError(t, err)
	by := at(173).Add(ahead).Sub(at(180)) // the entry, the last of what lies ahead, was known by then
	require.Equal(t, Ahead{By: by, Readings: 3, Entries: 1, Events: 1}, a)
	all, err := j.Readings(t.Context(), "float-1", ingest.Gravity, time.Time{}, time.Time{}, 0)
	require.NoError(t, err)
	var times []time.Duration
	for _, r := range all {
		times = append(times, r.Time.Sub(noon))
	}
	moved := func(minute int) time.Duration { return at(minute).Add(ahead - by).Sub(noon) }
	require.Equal(t, []time.Duration{0, 40 * time.Minute, 80 * time.Minute, 125 * time.Minute, moved(140), moved(155), moved(170), 180 * time.Minute}, times)
	entries, err := j.Entries(t.Context(), "b")
	require.NoError(t, err)
	require.Equal(t, at(180), entries[0].Entered)
	require.Equal(t, at(179), entries[0].Time)
	events, err := j.Events(t.Context(), "b", nil, time.Time{}, time.Time{}, 0, false)
	require.NoError(t, err)
	require.Len(t, events, 1)
	snapshot, _, lastN, err := j.WatchState(t.Context(), "b")
	require.NoError(t, err)
	require.Equal(t, runAgain, string(snapshot))
	require.EqualValues(t, 1, lastN)
	for _, id := range []string{"b/sample-due/1", "b/crash-now/1"} {
		alert, err := j.Alert(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, id == "b/crash-now/1", alert.Resolved != nil, id)
		require.Nil(t, alert.SnoozedUntil)
	}
	record(at(300), nil, 1.0120) // the hours before it are over
	require.NoError(t, j.Check(t.Context()))
	require.EqualValues(t, 9, j.Stats().Readings)
	bins, err := j.Series(t.Context(), "float-1", ingest.Gravity, at(0), at(360), 6)
	require.NoError(t, err)
	var counts []int64
	for _, b := range bins {
		counts = append(counts, b.Count)
	}
	require.Equal(t, []int64{2, 1, 4, 1, 1}, counts)

	again, err := j.PutRight(t.Context(), at(301))
	require.NoError(t, err)
	require.Equal(t, Ahead{}, again, "nothing lies ahead any more")
}

// So it is if the clock is put right while a burst is on the heap: no hour is
// binned in which there is nothing any more.
func TestPutRightInABurst(t *testing.T) {
	t.Parallel()
	j := openTest(t, t.TempDir(), migrations())
	one := func(at time.Time) ingest.Reading {
		return ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, Value: 1.01}
	}
	for i := range 10 {
		require.NoError(t, j.Record(t.Context(), []ingest.Reading{one(noon.Add(time.Duration(i) * 20 * time.Minute))}, nil))
	}
	hold, standing, open := heapHeld(t, j)
	var burst []ingest.Reading
	for i := range 3000 {
		burst = append(burst, one(noon.Add(9*24*time.Hour+4*time.Hour+time.Duration(i)*3600*time.Millisecond)))
	}
	hold()
	require.NoError(t, j.Record(t.Context(), burst, nil))
	standing() // or the writer could take what follows at once
	put := make(chan error, 1)
	go func() {
		_, err := j.PutRight(t.Context(), noon.Add(8*time.Hour))
		put <- err
	}()
	require.Eventually(t, func() bool { return len(j.ops) > 0 }, time.Minute, time.Millisecond)
	open()
	require.NoError(t, <-put)
	require.NoError(t, j.Check(t.Context()))
	require.NoError(t, j.Record(t.Context(), []ingest.Reading{one(noon.Add(20 * time.Hour))}, nil))
	require.NoError(t, j.Check(t.Context()))
	bins, err := j.Series(t.Context(), "float-1", ingest.Gravity, noon, noon.Add(24*time.Hour), 24)
	require.NoError(t, err)
	var counted int64
	for _, b := range bins {
		counted += b.Count
	}
	require.EqualValues(t, 3011, counted)
}
