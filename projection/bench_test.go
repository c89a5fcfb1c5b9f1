package projection

import (
	"slices"
	"testing"
	"time"
)

// BenchmarkUpdate is one reading of gravity and temperature with the estimate
// and the full projection, on a batch of a day and a half. The median is told
// beside the mean, which holds the rare redraw of all hypotheses.
func BenchmarkUpdate(b *testing.B) {
	e := fresh(b)
	course := beer{15, 16, 0.06, 9}
	send(e, course, 0, 36, "float-1", 1.5, nil)
	b.ReportAllocs()
	at := e.now
	var took []time.Duration
	for b.Loop() {
		at = at.Add(15 * time.Minute)
		h := at.Sub(e.batch.PitchedAt).Hours()
		if h > 70 {
			b.StopTimer()
			e = fresh(b)
			send(e, course, 0, 36, "float-1", 1.5, nil)
			at = e.now.Add(15 * time.Minute)
			h = at.Sub(e.batch.PitchedAt).Hours()
			b.StartTimer()
		}
		began := time.Now()
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Temperature, Value: 19})
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Gravity, Value: 1 + (course.at(h)+1.5+0.3*float64(int(h*4)%3-1))/1000})
		e.Estimate()
		e.Project()
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Nanoseconds()), "ns/median")
}

// BenchmarkProject is the full projection alone.
func BenchmarkProject(b *testing.B) {
	e := fresh(b)
	send(e, beer{15, 16, 0.06, 9}, 0, 36, "float-1", 1.5, nil)
	b.ReportAllocs()
	for b.Loop() {
		e.Project()
	}
}

// BenchmarkStore is MarshalBinary of a batch of five days; the size is reported.
func BenchmarkStore(b *testing.B) {
	e := fresh(b)
	send(e, beer{15, 16, 0.06, 9}, 0, 120, "float-1", 1.5, nil)
	var size int
	for b.Loop() {
		data, err := e.MarshalBinary()
		if err != nil {
			b.Fatal(err)
		}
		size = len(data)
	}
	b.ReportMetric(float64(size), "bytes")
}
