package page

import (
	"context"
	"fmt"
	"math"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// history is a whole batch as report and comparison draw it.
type history struct {
	st          *status
	u           Units
	entries     []journal.Entry
	alerts      []journal.Alert
	struck      map[int64]bool
	samples     []sampleRow // those that count first in time
	gravity     []sensorSeries
	temperature []sensorSeries
	believed    []estimate // thinned to the buckets, oldest first
	win         window
}

// history reads a batch from pitch to package, or to now, for a reader of scales.
func (s *Server) history(ctx context.Context, st *status, u Units, buckets int) (*history, error) {
	h := &history{st: st, u: u}
	var err error
	if h.entries, err = s.entries(ctx, st.Batch); err != nil {
		return nil, err
	}
	if h.alerts, err = s.opts.Journal.Alerts(ctx, st.Batch.ID, false); err != nil {
		return nil, err
	}
	h.struck = struck(h.entries)
	w := window{to: s.opts.Now(), buckets: buckets}
	if st.Batch.Ended != nil {
		w.to = *st.Batch.Ended
	}
	h.win = s.window(st, w)
	all, err := tenures(st, h.entries)
	if err != nil {
		return nil, err
	}
	for _, t := range all {
		for q, into := range map[ingest.Quantity]*[]sensorSeries{ingest.Gravity: &h.gravity, ingest.Temperature: &h.temperature} {
			one, err := s.during(ctx, t, q, h.win)
			if err != nil {
				return nil, err
			}
			if len(one) > 0 {
				*into = append(*into, sensorSeries{Sensor: t.Sensor, Bins: one})
			}
		}
	}
	if h.believed, err = s.believedOf(ctx, st, h.win); err != nil {
		return nil, err
	}
	h.samples = s.sampleRows(h)
	return h, nil
}

// during bins one quantity of a sensor while the batch had it.
func (s *Server) during(ctx context.Context, t tenure, q ingest.Quantity, w window) ([]bin, error) {
	if !t.To.IsZero() && t.To.Before(w.to) {
		w.to = t.To
	}
	if t.From.After(w.from) {
		w.from = t.From
	}
	if !w.to.After(w.from) {
		return nil, nil
	}
	grid := w.onTheHour()
	bins, err := s.opts.Journal.Series(ctx, t.Sensor, q, grid.from, grid.to, grid.buckets)
	if err != nil {
		return nil, fmt.Errorf("read %s of %s: %w", q, t.Sensor, err)
	}
	kept := bins[:0]
	for _, b := range bins {
		if t.holds(b.Time) {
			kept = append(kept, b)
		}
	}
	return binned(kept, q, grid), nil
}

// believedOf reads the estimates of a batch, the last of each bucket.
func (s *Server) believedOf(ctx context.Context, st *status, w window) ([]estimate, error) {
	events, err := s.estimates(ctx, st.Batch.ID, w)
	if err != nil {
		return nil, err
	}
	out := make([]estimate, 0, len(events)+1)
	for _, ev := range events {
		e, err := estimateOf(ev)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	if e := st.Estimate; e != nil && !e.Time.After(w.to) && (len(out) == 0 || e.Time.After(out[len(out)-1].Time)) {
		out = append(out, *e)
	}
	return out, nil
}

// final is what is believed last, as the page shows it; nil if nothing is. It may be newer
// than all of believed: the look that ends a batch comes after its packaging.
func (h *history) final() *estimate { return h.st.Estimate }

// rising turns estimates into a line with its band; at places a moment, given in
// Unix seconds, on the axis.
func (h *history) rising(value func(estimate) (v, sd float64), at func(float64) float64) []rising {
	var out []rising
	gap := gapOf(len(h.believed), func(i int) time.Time { return h.believed[i].Time }, h.win)
	for i, e := range h.believed {
		if i > 0 && e.Time.Sub(h.believed[i-1].Time) > max(gap, time.Hour) {
			out = append(out, rising{at: at(unix(e.Time))})
		}
		v, sd := value(e)
		out = append(out, rising{at(unix(e.Time)), &v, &sd})
	}
	return out
}

// warmth turns binned temperatures into a line.
func warmth(rows []bin, at func(float64) float64) []rising {
	var out []rising
	for _, b := range rows {
		out = append(out, rising{at: at(*b[0]), value: b[2]})
	}
	return out
}

// gravities is what a chart of gravity must show.
func (h *history) gravities(e *extent) {
	e.see(float64(h.st.About.OriginalGravity))
	if t := targetOf(h.st.About); t != nil {
		e.see(*t)
	}
	for _, b := range h.believed {
		e.see(b.Gravity - b.GravitySD)
		e.see(b.Gravity + b.GravitySD)
	}
	for _, m := range h.samples {
		if m.gravity != nil && !m.Struck {
			e.see(*m.gravity)
		}
	}
	for _, one := range h.gravity {
		// A spike is seen, unless it would flatten all else.
		if lo, hi := usual(one.Bins); lo > 0 && (math.IsInf(e.lo, 0) || math.Max(e.hi, hi)-math.Min(e.lo, lo) < mostStretch*(e.hi-e.lo)) {
			e.see(lo)
			e.see(hi)
		}
	}
}

// temperatures is what a chart of temperature must show.
func (h *history) temperatures(e *extent) {
	for _, one := range h.temperature {
		for _, b := range one.Bins {
			if b[2] != nil {
				e.see(*b[2])
			}
		}
	}
}
