package page

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ebbline/ingest/journal"
)

// tenure is a stretch of a batch during which it had a sensor; To zero: it has
// it still.
type tenure struct {
	Sensor   string
	From, To time.Time
}

// holds reports whether a moment lies in it.
func (t tenure) holds(at time.Time) bool {
	return !at.Before(t.From) && (t.To.IsZero() || at.Before(t.To))
}

// tenures are the sensors of a batch from pitch to package, with those that were
// swapped meanwhile, in the order in which they came.
func tenures(st *status, entries []journal.Entry) ([]tenure, error) {
	from := st.About.PitchedAt
	if st.Batch.Started.Before(from) {
		from = st.Batch.Started
	}
	now := st.About.Sensors
	var swaps []journal.Entry
	gone := struck(entries)
	for _, e := range entries {
		if e.Kind == journal.SensorChanged && !gone[e.Seq] {
			swaps = append(swaps, e)
		}
	}
	if len(swaps) == 0 && len(now) == 0 {
		now = st.Batch.Sensors
	}
	slices.SortStableFunc(swaps, func(a, b journal.Entry) int { return a.Time.Compare(b.Time) })
	var out []tenure
	for _, n := range now {
		out = append(out, tenure{Sensor: n, From: from})
	}
	for _, e := range swaps {
		var b struct {
			Sensors []string `json:"sensors"`
		}
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return nil, fmt.Errorf("read the sensors of entry %d of batch %s: %w", e.Seq, e.Batch, err)
		}
		open := map[string]bool{}
		for i := range out {
			if !out[i].To.IsZero() {
				continue
			}
			if slices.Contains(b.Sensors, out[i].Sensor) {
				open[out[i].Sensor] = true
			} else {
				out[i].To = e.Time
			}
		}
		for _, n := range b.Sensors {
			if !open[n] {
				out = append(out, tenure{Sensor: n, From: e.Time})
			}
		}
	}
	if st.Batch.Ended != nil {
		for i := range out {
			if out[i].To.IsZero() {
				out[i].To = *st.Batch.Ended
			}
		}
	}
	return out, nil
}

// sensorsOf are the names in tenures, each once.
func sensorsOf(all []tenure) []string {
	var out []string
	for _, t := range all {
		if !slices.Contains(out, t.Sensor) {
			out = append(out, t.Sensor)
		}
	}
	return out
}
