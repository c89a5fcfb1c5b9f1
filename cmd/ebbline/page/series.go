package page

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// Bounds of what a graph is given.
const (
	defaultBuckets = 300
	mostBuckets    = 1000
	mostEvents     = 200_000
	// lookAhead bounds how far into the future a graph reaches.
	lookAhead = 96 * time.Hour
)

// The graph's data. Times are Unix seconds; a row whose values are null is a
// gap: the line must not be drawn across it.
type (
	band [3]*float64 // time, value, standard deviation
	fan  [4]float64  // time, p10, p50, p90
	// bin is time, least, mean, greatest: a spike stays visible.
	bin [4]*float64

	sensorSeries struct {
		Sensor string `json:"sensor"`
		Bins   []bin  `json:"bins"`
	}
	mark struct {
		Time  float64  `json:"time"`
		Kind  string   `json:"kind"`
		Label string   `json:"label"`
		Value *float64 `json:"value"` // SG of a sample
	}
	graph struct {
		Now         float64        `json:"now"`
		From        float64        `json:"from"`
		To          float64        `json:"to"`
		UTCOffset   int            `json:"utc_offset"` // seconds, of the times a person reads
		Gravity     []sensorSeries `json:"gravity"`
		Temperature []sensorSeries `json:"temperature"`
		Hottest     float64        `json:"hottest"` // °C above which a temperature is not used
		Coldest     float64        `json:"coldest"` // and below which
		Estimate    []band         `json:"estimate"`
		Fan         []fan          `json:"fan"`
		FanFrom     *float64       `json:"fan_from"`
		Stale       bool           `json:"stale"`
		Original    float64        `json:"original_gravity"`
		Target      *float64       `json:"target_gravity"`
		Ceiling     string         `json:"ceiling"`
		CrashBy     *float64       `json:"crash_by"`
		Marks       []mark         `json:"marks"`
		Low         float64        `json:"low"`  // SG that the picture reaches down to
		High        float64        `json:"high"` // and up to
	}
)

func unix(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

func unixOf(t *time.Time) *float64 {
	if t == nil {
		return nil
	}
	v := unix(*t)
	return &v
}

func round(v float64, digits int) *float64 {
	p := math.Pow10(digits)
	v = math.Round(v*p) / p
	return &v
}

// window is what part of a batch a graph shows.
type window struct {
	from, to time.Time
	buckets  int
}

// window fills in what was not asked for: all of the batch so far, and ahead
// until the crossing is behind.
func (s *Server) window(st *status, w window) window {
	if w.from.IsZero() {
		w.from = st.About.PitchedAt
		if st.Batch.Started.Before(w.from) {
			w.from = st.Batch.Started
		}
	}
	if w.to.IsZero() {
		w.to = s.opts.Now()
		if st.Batch.Ended != nil {
			w.to = st.Batch.Ended.Add(time.Hour)
		} else if o := st.Outlook; o != nil {
			w.to = horizon(o, w.to)
		}
	}
	if !w.to.After(w.from) {
		w.to = w.from.Add(time.Hour)
	}
	if w.buckets == 0 {
		w.buckets = defaultBuckets
	}
	return w
}

// width is how long a bucket is.
func (w window) width() time.Duration { return w.to.Sub(w.from) / time.Duration(w.buckets) }

// onTheHour is w with wide buckets made whole hours, which the journal has
// binned already; it may begin and end a little farther out.
func (w window) onTheHour() window {
	if w.width() < sparse {
		return w
	}
	width := (w.width() + time.Hour - 1).Truncate(time.Hour)
	w.from = w.from.Truncate(time.Hour)
	w.buckets = int((w.to.Sub(w.from) + width - 1) / width)
	w.to = w.from.Add(time.Duration(w.buckets) * width)
	return w
}

// horizon is a little beyond the last moment that matters.
func horizon(o *outlook, now time.Time) time.Time {
	end := now.Add(12 * time.Hour)
	for _, t := range []*time.Time{o.CrashBy, o.Crosses.P50, o.Crosses.P90} {
		if t != nil && t.Add(6*time.Hour).After(end) {
			end = t.Add(6 * time.Hour)
		}
	}
	if far := now.Add(lookAhead); end.After(far) {
		return far
	}
	return end
}

// graph gathers what a graph of a batch shows within w.
func (s *Server) graph(ctx context.Context, st *status, w window) (*graph, error) {
	w = s.window(st, w)
	now := s.opts.Now()
	_, offset := now.In(s.loc).Zone()
	g := &graph{
		Now: unix(now), From: unix(w.from), To: unix(w.to), UTCOffset: offset, Stale: st.Stale,
		Original: float64(st.About.OriginalGravity), Target: targetOf(st.About), Ceiling: ceilingText(st.About.Ceiling),
		Hottest: projection.Hottest, Coldest: projection.Coldest,
		Gravity: []sensorSeries{}, Temperature: []sensorSeries{}, Estimate: []band{}, Fan: []fan{}, Marks: []mark{},
	}
	grid := w.onTheHour()
	for _, sensor := range st.Batch.Sensors {
		for q, into := range map[ingest.Quantity]*[]sensorSeries{ingest.Gravity: &g.Gravity, ingest.Temperature: &g.Temperature} {
			bins, err := s.opts.Journal.Series(ctx, sensor, q, grid.from, grid.to, grid.buckets)
			if err != nil {
				return nil, fmt.Errorf("read %s of %s: %w", q, sensor, err)
			}
			if len(bins) > 0 {
				*into = append(*into, sensorSeries{Sensor: sensor, Bins: binned(bins, q, grid)})
			}
		}
	}
	if err := s.believed(ctx, st, w, g); err != nil {
		return nil, err
	}
	if err := s.marks(ctx, st, w, g); err != nil {
		return nil, err
	}
	g.Low, g.High = gravityRange(g)
	return g, nil
}

// hot reports whether a temperature is shown that is not used.
func (g *graph) hot() bool {
	return slices.ContainsFunc(g.Temperature, func(s sensorSeries) bool {
		return slices.ContainsFunc(s.Bins, func(b bin) bool { return b[3] != nil && (*b[3] > g.Hottest || *b[1] < g.Coldest) })
	})
}

// binned rounds the bins and puts a gap where readings stayed out.
func binned(bins []journal.Bin, q ingest.Quantity, w window) []bin {
	digits := 2
	if q == ingest.Gravity {
		digits = 5
	}
	gap := gapOf(len(bins), func(i int) time.Time { return bins[i].Time }, w)
	out := make([]bin, 0, len(bins))
	for i, b := range bins {
		if i > 0 && b.Time.Sub(bins[i-1].Time) > gap {
			out = append(out, bin{round(unix(bins[i-1].Time.Add(gap/2)), 0)})
		}
		out = append(out, bin{round(unix(b.Time), 0), round(b.Min, digits), round(b.Mean, digits), round(b.Max, digits)})
	}
	return out
}

// gapOf is the silence from which a series counts as interrupted: two and a
// half buckets, or four times the usual spacing of readings that come more
// rarely than the buckets, and never under 20 minutes.
func gapOf(n int, at func(int) time.Time, w window) time.Duration {
	bucket := w.to.Sub(w.from) / time.Duration(w.buckets)
	gap := max(20*time.Minute, bucket*5/2)
	if n < 3 {
		return gap
	}
	steps := make([]time.Duration, 0, n-1)
	for i := 1; i < n; i++ {
		steps = append(steps, at(i).Sub(at(i-1)))
	}
	slices.Sort(steps)
	if usual := steps[len(steps)/2]; usual > bucket*3/2 {
		return max(gap, 4*usual)
	}
	return gap
}

// believed adds the estimates, thinned to the buckets, and the fan.
func (s *Server) believed(ctx context.Context, st *status, w window, g *graph) error {
	events, err := s.estimates(ctx, st.Batch.ID, w)
	if err != nil {
		return fmt.Errorf("read the estimates of batch %s: %w", st.Batch.ID, err)
	}
	gap := max(time.Hour, gapOf(len(events), func(i int) time.Time { return events[i].Time }, w))
	if e := st.Estimate; e != nil && len(events) > 0 && e.Time.After(events[len(events)-1].Time) && !e.Time.After(w.to) {
		body, err := json.Marshal(e) // the newest belief ends the line
		if err != nil {
			return fmt.Errorf("end the line of batch %s: %w", st.Batch.ID, err)
		}
		events = append(events, journal.Event{Time: e.Time, Body: body})
	}
	for i, ev := range events {
		var e estimate
		if err := json.Unmarshal(ev.Body, &e); err != nil {
			return fmt.Errorf("read an estimate of batch %s: %w", st.Batch.ID, err)
		}
		if i > 0 && ev.Time.Sub(events[i-1].Time) > gap {
			g.Estimate = append(g.Estimate, band{round(unix(events[i-1].Time.Add(gap/2)), 0)})
		}
		g.Estimate = append(g.Estimate, band{round(unix(ev.Time), 0), round(e.Gravity, 5), round(e.GravitySD, 5)})
	}
	o := st.Outlook
	if o == nil || st.Batch.Ended != nil {
		return nil
	}
	g.FanFrom, g.CrashBy = unixOf(&o.Time), unixOf(o.CrashBy)
	for _, f := range o.Fan {
		if !f.Time.After(w.to) {
			g.Fan = append(g.Fan, fan{unix(f.Time), *round(f.P10, 5), *round(f.P50, 5), *round(f.P90, 5)})
		}
	}
	return nil
}

// sparse is the width of a bucket from which it is cheaper to ask the journal
// for the last estimate of each than to read them all.
const sparse = 2 * time.Hour

// estimates reads the last estimate of each bucket.
func (s *Server) estimates(ctx context.Context, batch string, w window) ([]journal.Event, error) {
	types := []string{"estimate"}
	if w.width() < sparse {
		all, err := s.opts.Journal.Events(ctx, batch, types, w.from, w.to, mostEvents, false)
		return thin(all, w), err
	}
	return s.opts.Journal.LastEvents(ctx, batch, types[0], w.from, w.to, w.buckets)
}

// thin keeps the last event of each bucket.
func thin(events []journal.Event, w window) []journal.Event {
	width := w.to.Sub(w.from) / time.Duration(w.buckets)
	if len(events) <= w.buckets || width <= 0 {
		return events
	}
	kept := events[:0]
	for i, e := range events {
		if i+1 < len(events) && events[i+1].Time.Sub(w.from)/width == e.Time.Sub(w.from)/width {
			continue
		}
		kept = append(kept, e)
	}
	return kept
}

// marks adds what people entered and what was told.
func (s *Server) marks(ctx context.Context, st *status, w window, g *graph) error {
	happened, err := s.happened(ctx, st, Units{})
	if err != nil {
		return err
	}
	for _, h := range happened {
		if h.Struck || h.Time.Before(w.from) || h.Time.After(w.to) {
			continue
		}
		g.Marks = append(g.Marks, mark{Time: unix(h.Time), Kind: h.Kind, Label: h.Text, Value: h.Gravity})
	}
	slices.SortStableFunc(g.Marks, func(a, b mark) int { return int(math.Copysign(1, a.Time-b.Time)) })
	return nil
}
