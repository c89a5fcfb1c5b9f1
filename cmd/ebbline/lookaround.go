package main

import (
	"context"
	"slices"
	"sync"
	"time"

	"ebbline/cmd/ebbline/page"
)

// lookFor is how long a look around lasts. A broker of others carries much that
// is none of ours.
const lookFor = 10 * time.Minute

// everyTopic is the filter that takes all but what starts with $.
const everyTopic = "#"

// lookout is a look at all that an external broker carries, so that a new device
// shows up before any sensor listens to it. The embedded broker sees all anyway.
type lookout struct {
	mu    sync.Mutex
	until time.Time // by the wall clock
	end   *time.Timer
}

// LookAround subscribes to every topic for ten minutes.
func (d *daemon) LookAround(context.Context) error {
	if d.conf().MQTT.URL == "" {
		return nil
	}
	d.look.mu.Lock()
	d.look.until = time.Now().Add(lookFor)
	if d.look.end != nil {
		d.look.end.Stop()
	}
	d.look.end = time.AfterFunc(lookFor, func() {
		if err := d.refilter(); err != nil {
			d.log.Error("the look around did not end", "error", err)
		}
	})
	d.look.mu.Unlock()
	return d.refilter()
}

// stopLooking ends a look around with the daemon.
func (d *daemon) stopLooking() error {
	d.look.mu.Lock()
	defer d.look.mu.Unlock()
	if d.look.end != nil {
		d.look.end.Stop()
	}
	return nil
}

// filters are the topics to subscribe to now.
func (d *daemon) filters() []string {
	all := d.mapper.Load().Filters()
	if d.lookingUntil() != nil && !slices.Contains(all, everyTopic) {
		all = append(all, everyTopic)
	}
	return all
}

// lookingUntil is when the look around ends; nil: there is none.
func (d *daemon) lookingUntil() *time.Time {
	d.look.mu.Lock()
	defer d.look.mu.Unlock()
	if until := d.look.until; time.Now().Before(until) {
		return &until
	}
	return nil
}

// looking is what the page says of it.
func (d *daemon) looking() page.Looking {
	l := page.Looking{Needed: d.conf().MQTT.URL != ""}
	if until := d.lookingUntil(); until != nil {
		l.Left = time.Until(*until)
	}
	return l
}
