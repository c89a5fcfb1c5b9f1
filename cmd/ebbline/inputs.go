package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"ebbline/alert"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// input is one thing a watch is given: a reading or something a person entered.
type input struct {
	seq     int64
	reading *ingest.Reading
	entry   *journal.Entry
	undone  bool // a packaging that is struck out: its watch goes past it
}

// arrived is when it became known.
func (in input) arrived() time.Time {
	if in.entry != nil {
		return in.entry.Entered
	}
	return in.reading.Arrived
}

// merge puts readings and entries into the one order in which they became
// known. If the readings were cut off at limit, those of the last message are
// left for the next call, so that one message is never given in two halves.
func merge(readings []journal.Stored, entries []journal.Entry, limit int) []input {
	var all []input
	i, j := 0, 0
	for i < len(readings) || j < len(entries) {
		if j == len(entries) || i < len(readings) && readings[i].Seq < entries[j].Seq {
			all = append(all, input{seq: readings[i].Seq, reading: &readings[i].Reading})
			i++
		} else {
			all = append(all, input{seq: entries[j].Seq, entry: &entries[j]})
			j++
		}
	}
	if len(readings)+len(entries) < limit {
		return all
	}
	last := len(all)
	for last > 0 && all[last-1].reading != nil && all[last-1].reading.Arrived.Equal(arrivalOf(all[len(all)-1])) {
		last--
	}
	if last == 0 {
		return all
	}
	return all[:last]
}

func arrivalOf(in input) time.Time {
	if in.reading == nil {
		return time.Time{}
	}
	return in.reading.Arrived
}

// feed gives inputs to the watch, those of one moment together, until ctx ends. It reports
// how many were given and whether the batch was packaged by one of them.
func (r *kept) feed(ctx context.Context, inputs []input, moved func()) (n int, events []alert.Event, ended bool, err error) {
	var at time.Time
	var pending []projection.Observation
	flush := func() {
		if len(pending) > 0 {
			events = append(events, r.watch.Observe(at, pending...)...)
			pending = nil
			moved()
		}
	}
	for i, in := range inputs {
		if in.undone {
			continue
		}
		if in.entry != nil {
			flush()
			said, packaged, err := r.enter(*in.entry)
			if err != nil {
				return i, events, ended, err
			}
			events, ended = append(events, said...), ended || packaged
			continue
		}
		if now := r.moment(*in.reading); !now.Equal(at) {
			flush()
			if ctx.Err() != nil {
				return i, events, ended, nil
			}
			at = now
		}
		pending = append(pending, observation(*in.reading))
	}
	flush()
	return len(inputs), events, ended, nil
}

// moment is what the batch's clock shows when a reading is taken in: its
// arrival, or its own time if it speaks of the past; it never goes back.
func (r *kept) moment(g ingest.Reading) time.Time {
	now := g.Arrived
	if g.Arrived.Sub(g.Time) > historic {
		now = g.Time
	}
	if w := r.watch.Now(); now.Before(w) {
		return w
	}
	return now
}

// enter gives the watch what a person entered.
func (r *kept) enter(e journal.Entry) (said []alert.Event, packaged bool, err error) {
	now := e.Time
	if w := r.watch.Now(); now.Before(w) {
		now = w
	}
	in := alert.Input{Ref: e.Seq}
	switch e.Kind {
	case journal.SampleEntry:
		var s projection.Sample
		if err := json.Unmarshal(e.Body, &s); err != nil {
			return nil, false, fmt.Errorf("decoding sample %d: %w", e.Seq, err)
		}
		s.Time = e.Time
		in.Sample = &s
	case journal.CrashStarted:
		in.CrashStarted = &e.Time
	case journal.Packaged:
		var body struct {
			Into string `json:"into"`
		}
		if err := json.Unmarshal(e.Body, &body); err != nil && len(e.Body) > 0 {
			return nil, false, fmt.Errorf("decoding packaging %d: %w", e.Seq, err)
		}
		in.Packaged, in.Into = &e.Time, body.Into
	case journal.StruckEntry:
		var body struct {
			Seq  int64             `json:"seq"`
			Kind journal.EntryKind `json:"kind"`
		}
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return nil, false, fmt.Errorf("decoding strike %d: %w", e.Seq, err)
		}
		if body.Kind == journal.NoteEntry || body.Kind == journal.Packaged {
			return nil, false, nil // neither was read, see undone; goOn lets the clock go on
		}
		in.Struck = body.Seq
	case journal.SensorChanged:
		var body struct {
			Sensors []string `json:"sensors"`
		}
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return nil, false, fmt.Errorf("decoding sensors %d: %w", e.Seq, err)
		}
		in.Sensors = append([]string{}, body.Sensors...) // none is a change too
		r.swapped = in.Sensors
	default:
		return nil, false, nil // a note changes no belief
	}
	return r.watch.Enter(now, in), e.Kind == journal.Packaged, nil
}
