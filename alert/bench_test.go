package alert

import (
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// The cost of a quarter of an hour of one batch (two quantities a minute) by
// the watch, and by the bare estimator that is advanced, estimated and
// projected once. The difference is what the watch adds.
func BenchmarkQuarterOfAnHour(b *testing.B) {
	quarter := func(now time.Time) (obs []projection.Observation) {
		for i := range 15 {
			at := now.Add(time.Duration(i) * time.Minute)
			obs = append(obs,
				projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0120 + 0.0001*float64(i%7)},
				projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Temperature, Value: 18 + 0.1*float64(i%3)})
		}
		return obs
	}
	b.Run("watch", func(b *testing.B) {
		w, err := NewWatch(tank(1.0155), Options{})
		require.NoError(b, err)
		now := pitch
		for b.Loop() {
			for _, o := range quarter(now) {
				w.Observe(o.Time, o)
			}
			now = now.Add(lookEvery)
		}
	})
	b.Run("estimator", func(b *testing.B) {
		e, err := projection.New(tank(1.0155))
		require.NoError(b, err)
		now := pitch
		for b.Loop() {
			for _, o := range quarter(now) {
				e.Observe(o)
			}
			now = now.Add(lookEvery)
			e.Advance(now)
			e.Estimate()
			e.Project()
		}
	})
}

// The cost of one reading between two looks: what most readings cost.
func BenchmarkObserveBetweenLooks(b *testing.B) {
	w, err := NewWatch(brew(), Options{believe: &scripts{script: sums}})
	require.NoError(b, err)
	now := pitch
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(30 * time.Second)
		w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	}
}

// What a start of the daemon costs for each batch that runs.
func BenchmarkRestoreWatch(b *testing.B) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(b, err)
	for _, m := range capture(b, "plain-00", 48*time.Hour) {
		w.Observe(m.at, m.obs...)
	}
	data, err := w.Snapshot()
	require.NoError(b, err)
	for b.Loop() {
		_, err := RestoreWatch(tank(1.0155), Options{}, data)
		require.NoError(b, err)
	}
}

// The cost of a reading that is ten hours late.
func BenchmarkLateReading(b *testing.B) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(b, err)
	for now := pitch; now.Before(pitch.Add(24 * time.Hour)); now = now.Add(lookEvery) {
		w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	}
	i := 0
	for b.Loop() {
		i++
		at := pitch.Add(14*time.Hour + time.Duration(i)*time.Microsecond)
		w.Observe(w.Now(), projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
		w.Enter(w.Now(), Input{Sensors: []string{"float-1"}})
	}
}

func BenchmarkSnapshot(b *testing.B) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(b, err)
	for _, m := range capture(b, "plain-00", 48*time.Hour) {
		w.Observe(m.at, m.obs...)
	}
	var data []byte
	for b.Loop() {
		data, err = w.Snapshot()
		require.NoError(b, err)
	}
	b.ReportMetric(float64(len(data)), "bytes")
}

// The memory that one batch holds after four days of readings.
func BenchmarkMemoryOfABatch(b *testing.B) {
	messages := capture(b, "plain-00", 96*time.Hour)
	var before, after runtime.MemStats
	for b.Loop() {
		runtime.GC()
		runtime.ReadMemStats(&before)
		w, err := NewWatch(tank(1.0155), Options{})
		require.NoError(b, err)
		for _, m := range messages {
			w.Observe(m.at, m.obs...)
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc)-float64(before.HeapAlloc), "heap-bytes")
		runtime.KeepAlive(w)
	}
}
