package projection_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbline/alert"
	"ebbline/projection"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// BenchmarkLook measures what one look at a batch of a day and a half costs,
// step by step, beside the least that a look could be: one step, one weighing
// and one projection of a plain filter of as many draws of a one-sugar beer.
func BenchmarkLook(b *testing.B) {
	c := openCellar(b, 5, ferment.Plain, func(*ferment.Virtual) {})
	e, err := projection.New(c.batch)
	if err != nil {
		b.Fatal(err)
	}
	at := c.PitchedAt
	for ; at.Sub(c.PitchedAt) < 36*time.Hour; at = at.Add(15 * time.Minute) {
		for _, o := range c.readings(at) {
			e.Observe(o)
		}
	}
	news := c.readings(at)
	truth := c.At(at).Gravity

	b.Run("plain filter, update", func(b *testing.B) {
		p := newPlain()
		b.ReportAllocs()
		for b.Loop() {
			p.update(0.4)
		}
	})
	b.Run("plain filter, project", func(b *testing.B) {
		p := newPlain()
		b.ReportAllocs()
		for b.Loop() {
			p.project()
		}
	})
	copied := func(b *testing.B, do func(e *projection.Estimator)) {
		b.ReportAllocs()
		for b.Loop() {
			b.StopTimer()
			own := e.Clone()
			b.StartTimer()
			do(own)
		}
	}
	b.Run("update", func(b *testing.B) {
		copied(b, func(e *projection.Estimator) {
			for _, o := range news {
				e.Observe(o)
			}
			e.Advance(at.Add(15 * time.Minute))
		})
	})
	b.Run("sample that redraws", func(b *testing.B) {
		copied(b, func(e *projection.Estimator) { // two points off, so that few hypotheses are left
			off := truth - 0.002
			e.Sample(projection.Sample{Time: at, Gravity: &off})
		})
	})
	b.Run("project", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e.Project()
		}
	})
	b.Run("copy", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e.Clone()
		}
	})
	b.Run("snapshot", func(b *testing.B) {
		b.ReportAllocs()
		size := 0
		for b.Loop() {
			data, err := e.MarshalBinary()
			if err != nil {
				b.Fatal(err)
			}
			size = len(data)
		}
		b.ReportMetric(float64(size), "bytes")
	})
	b.Run("restore", func(b *testing.B) {
		data, err := e.MarshalBinary()
		if err != nil {
			b.Fatal(err)
		}
		b.ReportAllocs()
		for b.Loop() {
			if _, err := projection.Restore(c.batch, data); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkDays is a watch with its looks over three days of readings; a quarter
// of an hour costs a 288th.
func BenchmarkDays(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		c := openCellar(b, 5, ferment.Plain, func(*ferment.Virtual) {})
		c.run(72, 0)
		if len(c.raised[alert.CrashNow]) == 0 {
			b.Fatal("no crash was called")
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/288, "µs/look")
}

// plain is the baseline: 2,000 draws of beer that eats one sugar.
type plain struct {
	left, rate, weight []float64
	points             []gravity.Points
}

func newPlain() *plain {
	const draws = 2000
	rng := rand.New(rand.NewPCG(1, 1))
	p := &plain{make([]float64, draws), make([]float64, draws), make([]float64, draws), make([]gravity.Points, draws)}
	for i := range draws {
		p.left[i], p.rate[i] = 9+rng.NormFloat64(), 0.002*math.Exp(0.3*rng.NormFloat64())
	}
	return p
}

// update lets a quarter of an hour pass and weighs by a reading, points fallen.
func (p *plain) update(fallen float64) {
	sum := 0.0
	for i := range p.left {
		p.left[i] -= p.rate[i] * p.left[i]
		d := 9 - p.left[i] - fallen
		p.weight[i] = math.Exp(-d * d / 2)
		sum += p.weight[i]
	}
	for i := range p.weight {
		p.weight[i] /= sum
	}
}

// project runs every draw ten days ahead by the hour.
func (p *plain) project() {
	for i := range p.left {
		left := p.left[i]
		for range 240 {
			left -= 4 * p.rate[i] * left
		}
		p.points[i] = gravity.Points(left)
	}
}
