package main

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/ingest"
)

// heardValue is one value in the journal, without when it came.
type heardValue struct {
	quantity ingest.Quantity
	at       time.Time
	value    float64
}

func (d *daemon) everything(t require.TestingT, sensor string) (all []heardValue) {
	for _, q := range []ingest.Quantity{ingest.Gravity, ingest.Temperature} {
		some, err := d.journal.Readings(context.Background(), sensor, q, time.Time{}, time.Time{}, 0)
		require.NoError(t, err)
		for _, r := range some {
			all = append(all, heardValue{q, r.Time, r.Value})
		}
	}
	return all
}

// Law: whatever is replayed as retained, sent twice or comes in another order, the
// record is that of the ordered run.
func TestReplaysDuplicatesAndReorderingsChangeNothing(t *testing.T) {
	t.Parallel()
	d := daemonAt(t, t.TempDir(), `sensors:
  - name: float
    topic: cellar/+
    time: /ts
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
      - {quantity: temperature, pointer: /t, unit: Cel}
`)
	begun := time.Now().Add(-time.Hour).Truncate(time.Second)
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		tell := func(name string, payload string, retained bool) {
			require.NoError(rt, d.stored(t.Context(), ingest.Message{Topic: "cellar/" + name, Payload: []byte(payload), Arrived: time.Now(), Retained: retained}))
		}
		var ordered []string
		for i := range rapid.IntRange(1, 6).Draw(rt, "readings") {
			ordered = append(ordered, fmt.Sprintf(`{"g":1.0%03d,"t":%d,"ts":%d}`, rapid.IntRange(90, 140).Draw(rt, "g"), rapid.IntRange(2, 25).Draw(rt, "t"), begun.Add(time.Duration(i)*time.Minute).UnixMilli()))
		}
		once, mixed := fmt.Sprintf("once-%d", run), fmt.Sprintf("mixed-%d", run)
		for _, p := range ordered {
			tell(once, p, false)
		}
		again := rapid.SliceOfN(rapid.SampledFrom(ordered), 0, 6).Draw(rt, "again")
		for _, p := range rapid.Permutation(append(append([]string{}, ordered...), again...)).Draw(rt, "stream") {
			if rapid.Bool().Draw(rt, "replay") {
				tell(mixed, `{"g":1.0999,"t":1,"ts":1}`, true)
			}
			tell(mixed, p, false)
		}
		require.Equal(rt, d.everything(rt, "float/"+once), d.everything(rt, "float/"+mixed))
		require.Len(rt, d.everything(rt, "float/"+once), 2*len(ordered))
	})
	before, refused := d.journal.Stats().Readings, d.refusals.counts()[ingest.RetainedMessage]
	for range 1000 {
		require.NoError(t, d.stored(t.Context(), ingest.Message{Topic: "cellar/kept", Payload: []byte(`{"g":1.0123,"t":20}`), Arrived: time.Now(), Retained: true}))
	}
	require.Equal(t, before, d.journal.Stats().Readings, "a retained message is never a reading")
	require.Equal(t, 1000, d.refusals.counts()[ingest.RetainedMessage]-refused)
}
