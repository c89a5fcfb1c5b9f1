package main

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
)

const (
	// slowFrom is how far a device's clock may be behind, or its message under way.
	slowFrom = 10 * time.Minute
	// slowFor is how long the same lag must have been seen: a record being played
	// and a device emptying its memory come nearer all the time.
	slowFor = 5 * time.Minute
	// sameLag is by how much a lag may differ and be the same.
	sameLag = 2 * time.Minute
	// clockKept is how long a clock counts as wrong after its last message.
	clockKept = time.Hour
)

// deviceClocks notes which devices' clocks are wrong.
type deviceClocks struct {
	mu    sync.Mutex
	slow  map[string]lagging // by sensor
	wrong map[string]wrongly // by topic
}

type lagging struct {
	lag         time.Duration
	first, last time.Time // arrivals
}

type wrongly struct {
	why   string
	first time.Time
	last  time.Time
}

// heard looks at the times of what came in.
func (c *deviceClocks) heard(readings []ingest.Reading, refusals []ingest.Refusal) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.slow == nil {
		c.slow, c.wrong = map[string]lagging{}, map[string]wrongly{}
	}
	for _, r := range readings {
		lag := r.Arrived.Sub(r.Time)
		l, known := c.slow[r.Sensor]
		switch {
		case lag < slowFrom:
			delete(c.slow, r.Sensor)
		case !known || (lag-l.lag).Abs() > sameLag:
			c.slow[r.Sensor] = lagging{lag, r.Arrived, r.Arrived}
		default:
			l.last = r.Arrived
			c.slow[r.Sensor] = l
		}
	}
	for _, r := range refusals {
		if r.Reason != ingest.ClockWrong {
			continue
		}
		w, known := c.wrong[r.Topic]
		if !known {
			w.first = r.Arrived
		}
		w.why, w.last = r.Detail, r.Arrived
		c.wrong[r.Topic] = w
	}
}

// health has an item for each device whose clock is wrong.
func (c *deviceClocks) health(now time.Time) []page.HealthItem {
	c.mu.Lock()
	defer c.mu.Unlock()
	var items []page.HealthItem
	for sensor, l := range c.slow {
		if now.Sub(l.last) > clockKept || l.last.Sub(l.first) < slowFor {
			continue
		}
		items = append(items, page.HealthItem{Code: "clock", Since: l.first, Text: fmt.Sprintf(
			"The clock of %s is %s slow: its readings are taken to be of then. Set the device's clock, or leave time out of the sensor so that the time of arrival counts.",
			sensor, l.lag.Round(time.Minute))})
	}
	for topic, w := range c.wrong {
		if now.Sub(w.last) <= clockKept {
			items = append(items, page.HealthItem{Code: "clock", Since: w.first, Text: fmt.Sprintf("A device on %s: %s. Set its clock.", topic, w.why)})
		}
	}
	slices.SortFunc(items, func(a, b page.HealthItem) int { return strings.Compare(a.Text, b.Text) })
	return items
}
