package main

import (
	"context"
	"sync/atomic"
	"time"
)

// steppedClock is the time of a demo. The story moves it on, and only when what
// belongs to a moment is stored, so that a slow machine tells the same story,
// only slower.
type steppedClock struct{ micro atomic.Int64 }

// Now is the time of the demo, to the microsecond.
func (c *steppedClock) Now() time.Time { return time.UnixMicro(c.micro.Load()) }

func (c *steppedClock) set(t time.Time) { c.micro.Store(t.UnixMicro()) }

// pacer holds a story to a speed: how many seconds of its time pass in one of
// ours.
type pacer struct {
	speed float64
	due   time.Time // wall clock at which the next step begins
}

// wait sleeps until the step that has just been told is over. Time lost to a
// slow machine is not made up for.
func (p *pacer) wait(ctx context.Context, step time.Duration) error {
	now := time.Now()
	if p.due.Before(now) {
		p.due = now
	}
	p.due = p.due.Add(time.Duration(float64(step) / p.speed))
	timer := time.NewTimer(time.Until(p.due))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}
