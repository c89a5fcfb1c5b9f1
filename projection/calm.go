package projection

import "math"

const (
	// calmSpan is how many readings are looked at together: four hours of one a
	// quarter of an hour.
	calmSpan = 16
	// calmFloor is a movement that is none, points: half a step of a float that
	// shows four decimals.
	calmFloor = 0.05
	// calmFrom is how many movements make a habit.
	calmFrom = 24
	// calmBelow and calmLeast are how far the mean logarithm of the squared
	// movements must fall below the habit, and below the quietest span so far, for
	// one that hangs: to a third of the usual movement. None of the 84 captures comes
	// to 2.2. By calmBack less it is free again.
	calmBelow, calmLeast, calmBack = 2.3, 1.2, 1.0
)

// calm compares how much a float moves from reading to reading with its habit. One
// that hangs at the wall or in dried foam trembles a little, so that it never shows
// quite the same; a free one is moved by bubbles. Logarithms, so that outliers and
// lifts, which move it most, hardly count.
type calm struct {
	Last     float64 // points
	Heard    int     // readings
	Lately   [calmSpan]float64
	Sum      float64 // of the movements that have left Lately while it was free
	Free     int     // how many those are
	Before   float64 // the mean of the span before this one, free too
	Quietest float64 // the least mean of a span before that
	Hangs    bool    // it moves so little that it cannot float freely
}

// hear takes a reading.
func (c *calm) hear(points float64) {
	d := points - c.Last
	c.Last = points
	if c.Heard++; c.Heard == 1 {
		return
	}
	n := c.Heard - 2 // movements before this one
	if n >= calmSpan && !c.Hangs {
		c.learn(n)
	}
	c.Lately[n%calmSpan] = math.Log(d*d + calmFloor*calmFloor)
	if c.Free >= calmFrom {
		limit := min(c.Sum/float64(c.Free)-calmBelow, c.Quietest-calmLeast)
		if c.Hangs {
			limit += calmBack
		}
		c.Hangs = c.mean() < limit
	}
}

// learn makes movement n-calmSpan, which leaves Lately, part of the habit.
func (c *calm) learn(n int) {
	c.Sum += c.Lately[n%calmSpan]
	c.Free++
	if n%calmSpan == 0 {
		if n > calmSpan {
			c.Quietest = min(c.Quietest, c.Before)
		}
		c.Before = c.mean()
	}
}

func (c *calm) mean() (m float64) {
	for _, v := range c.Lately {
		m += v / calmSpan
	}
	return m
}
