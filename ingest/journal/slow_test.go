package journal

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// BenchmarkRecordSlowDisk is BenchmarkRecord with commits that take as long as
// on an SD card, for 1000 callers at once.
func BenchmarkRecordSlowDisk(b *testing.B) {
	j, err := Open(b.TempDir(), Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, j.Close()) })
	require.NoError(b, j.change(b.Context(), func(w *writer) error {
		w.slow = func() { time.Sleep(20 * time.Millisecond) }
		return nil
	}))
	var n atomic.Int64
	b.SetParallelism(500)
	b.ResetTimer()
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			at := noon.Add(time.Duration(n.Add(1)) * time.Second)
			require.NoError(b, j.Record(b.Context(), []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: 1.0132}}, nil))
		}
	})
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
	b.ReportMetric(float64(b.N)/float64(j.Stats().Groups), "messages/commit")
}

// A lone reading is not made to wait for company, and those that come during a
// commit share the next one.
func TestWhatWaitsSharesOneCommit(t *testing.T) {
	j := openTest(t, t.TempDir(), migrations())
	release, reached := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() { // should the test fail half-way
		close(release)
		go func() {
			for range reached {
			}
		}()
	})
	gate := &op{do: func(w *writer) error {
		w.slow = func() { reached <- struct{}{}; <-release }
		return nil
	}}
	require.NoError(t, j.put(t.Context(), gate))
	<-reached
	release <- struct{}{}
	require.NoError(t, j.await(t.Context(), gate))
	before := j.Stats().Groups
	lone := j.Enqueue(t.Context(), nth(0), nil)
	<-reached // it is being committed, alone
	var late []func() error
	for i := range 499 {
		wait := j.Enqueue(t.Context(), nth(i+1), nil)
		late = append(late, func() error { return wait(t.Context()) })
	}
	release <- struct{}{}
	require.NoError(t, lone(t.Context()))
	<-reached
	release <- struct{}{}
	for _, wait := range late {
		require.NoError(t, wait())
	}
	require.Equal(t, before+2, j.Stats().Groups)
	require.Equal(t, 499, j.Stats().LastGroup)
}
