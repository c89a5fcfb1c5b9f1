package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// The events of a watch as the journal holds them: contract §6, with the fan
// and the dots besides.
type (
	estimate struct {
		Time        time.Time `json:"time"`
		Gravity     float64   `json:"gravity"`    // SG
		GravitySD   float64   `json:"gravity_sd"` // SG
		ABV         float64   `json:"abv"`        // %
		ABVSD       float64   `json:"abv_sd"`     // %
		Temperature *float64  `json:"temperature"`
	}
	quantiles struct {
		P10 float64 `json:"p10"`
		P50 float64 `json:"p50"`
		P90 float64 `json:"p90"`
	}
	crossing struct {
		Probability float64    `json:"probability"`
		P10         *time.Time `json:"p10"`
		P50         *time.Time `json:"p50"`
		P90         *time.Time `json:"p90"`
	}
	fanPoint struct {
		Time time.Time `json:"time"`
		quantiles
	}
	outlook struct {
		Time            time.Time   `json:"time"`
		Crosses         crossing    `json:"crosses"`
		CrashBy         *time.Time  `json:"crash_by"`
		ABVIfLeft       quantiles   `json:"abv_if_left"`
		ABVIfCrashedNow quantiles   `json:"abv_if_crashed_now"`
		Fan             []fanPoint  `json:"fan,omitempty"`
		Dots            []time.Time `json:"dots,omitempty"`
	}
	// verdict is the first sentence: what to do, by when, how sure; and the
	// belief that it was said on.
	verdict struct {
		Time time.Time `json:"time"`
		Text string    `json:"text"`
		// In is Text for readers of other scales than the configuration's, by Scales.
		In map[string]string `json:"in,omitempty"`
		// CrashStarted is the start of the crash that the belief knows of.
		CrashStarted *time.Time `json:"crash_started,omitempty"`
		// Packaged is when the beer was packaged, by the belief.
		Packaged *time.Time `json:"packaged,omitempty"`
		Estimate *estimate  `json:"estimate,omitempty"`
		Outlook  *outlook   `json:"projection,omitempty"`
	}
)

// status is all that is known of one batch now.
type status struct {
	Batch     journal.Batch
	About     projection.Batch
	Estimate  *estimate
	Outlook   *outlook
	Verdict   *verdict
	VerdictAt time.Time
	// Behind is the time to which the watch has come that takes in what lies in the
	// past: nothing that it says is of now. nil: it has come to the present.
	Behind   *time.Time
	Alerts   []journal.Alert // open ones, most urgent first
	LastSeen map[ingest.Quantity]journal.Stored
	// Unused is the last temperature of a thermometer that shows what no beer can
	// have: it is not used. nil: none does.
	Unused     *journal.Stored
	PH         *phSeen
	Crashed    *time.Time
	Cooling    bool      // the belief knows that the crash has started
	Awaits     bool      // it does not yet, and should any moment
	Unpacked   bool      // what was said last is of a packaging that is struck out
	entered    time.Time // of the crash
	Stale      bool      // the last gravity reading is too old to trust the projection
	Silent     time.Duration
	NeverHeard bool
}

// phSeen is the last pH and where it came from.
type phSeen struct {
	Value float64
	Time  time.Time
	From  string
}

// latest decodes the last event of a type into v and tells whether there is one.
func (s *Server) latest(ctx context.Context, batch, typ string, v any) (time.Time, bool, error) {
	e, ok, err := s.opts.Journal.LatestEvent(ctx, batch, typ)
	if errors.Is(err, journal.ErrChanged) {
		return time.Time{}, false, nil // nothing is believed; health says why
	}
	if err != nil || !ok {
		return time.Time{}, false, err
	}
	if err := json.Unmarshal(e.Body, v); err != nil {
		return time.Time{}, false, fmt.Errorf("read the last %s of batch %s: %w", typ, batch, err)
	}
	return e.Time, true, nil
}

// status gathers what is known of a batch.
func (s *Server) status(ctx context.Context, b journal.Batch) (*status, error) {
	st := &status{Batch: b, LastSeen: map[ingest.Quantity]journal.Stored{}}
	var err error
	if st.About, err = s.opts.Describe(b); err != nil {
		return nil, err
	}
	if st.About.PitchedAt.IsZero() {
		st.About.PitchedAt = b.Started
	}
	if err := s.beliefs(ctx, st); err != nil {
		return nil, err
	}
	all, err := s.opts.Journal.Alerts(ctx, b.ID, true)
	if err != nil {
		return nil, err
	}
	st.Alerts = urgentFirst(all)
	for _, q := range []ingest.Quantity{ingest.Gravity, ingest.Temperature, ingest.PH} {
		for _, sensor := range b.Sensors {
			last, ok, err := s.opts.Journal.LastReading(ctx, sensor, q)
			if err != nil {
				return nil, err
			}
			if ok && q == ingest.Temperature && !projection.BeersOwn(last.Value) {
				st.Unused, ok = later(st.Unused, last), false
			}
			if old, have := st.LastSeen[q]; ok && (!have || last.Time.After(old.Time)) && !last.Time.Before(b.Started.Add(-time.Hour)) {
				st.LastSeen[q] = last
			}
		}
	}
	if err := s.entered(ctx, st); err != nil {
		return nil, err
	}
	s.age(st)
	return st, nil
}

// later is the newer of two readings; the first may be nil.
func later(a *journal.Stored, b journal.Stored) *journal.Stored {
	if a != nil && a.Time.After(b.Time) {
		return a
	}
	return &b
}

// beliefs reads what the watch said last.
func (s *Server) beliefs(ctx context.Context, st *status) error {
	var e estimate
	var o outlook
	var v verdict
	if at, ok, err := s.latest(ctx, st.Batch.ID, "estimate", &e); err != nil {
		return err
	} else if ok {
		e.Time = at
		st.Estimate = &e
	}
	if at, ok, err := s.latest(ctx, st.Batch.ID, "projection", &o); err != nil {
		return err
	} else if ok {
		o.Time = at
		st.Outlook = &o
	}
	raw, ok, err := s.opts.Journal.Get(ctx, SentenceKey(st.Batch.ID))
	if errors.Is(err, journal.ErrChanged) {
		return nil
	}
	if err != nil || !ok {
		return err
	}
	if err := json.Unmarshal([]byte(raw), &v); err != nil {
		return fmt.Errorf("read the sentence of batch %s: %w", st.Batch.ID, err)
	}
	if v.Text != "" {
		st.Verdict, st.VerdictAt = &v, v.Time
		if v.Estimate == nil && st.Batch.Ended == nil { // nothing is believed yet
			st.Estimate, st.Outlook = nil, nil
			return nil
		}
	}
	st.prefer(v.Estimate, v.Outlook)
	if up := s.opts.CatchingUp; up != nil && st.Verdict != nil && s.opts.Now().Sub(v.Time) > behindBy && up(st.Batch.ID) {
		st.Behind = &v.Time
	}
	return nil
}

// saidAt is the moment that the belief of the sentence stands for; nil: there is
// none.
func (st *status) saidAt() *time.Time {
	if st.Verdict == nil || st.Estimate == nil {
		return nil
	}
	return &st.VerdictAt
}

// behindBy is by how much a belief lies behind, of a batch that catches up, to be
// told from one of now.
const behindBy = 20 * time.Minute

// prefer takes the belief that was said with the sentence in place of the last
// events, unless these are newer: a sample moves the belief at once, and the
// next events may be a quarter of an hour away. Nothing on the page then
// contradicts the sentence.
func (st *status) prefer(e *estimate, o *outlook) {
	if e == nil || o == nil {
		return
	}
	if st.Estimate == nil || !e.Time.Before(st.Estimate.Time) {
		st.Estimate = e
	}
	switch {
	case st.Outlook == nil || !o.Time.Before(st.Outlook.Time):
		st.Outlook = o
	case len(st.Outlook.Fan) == 0 && len(st.Outlook.Dots) == 0:
		// Events need not hold them; what lies before the event is past.
		st.Outlook.Dots = o.Dots
		st.Outlook.Fan = slices.DeleteFunc(o.Fan, func(f fanPoint) bool { return f.Time.Before(st.Outlook.Time) })
	}
}

// SentenceKey is where the journal keeps what to do about a batch, as the JSON
// {"time", "text", "in", "crash_started", "packaged", "estimate", "projection"}, the last
// two as in contract §6 with "fan" and "dots" besides, "in" the text by Scales
// where it differs; the last one alone.
func SentenceKey(batch string) string { return "sentence/" + batch }

// entered reads what people entered: the crash, the last pH.
func (s *Server) entered(ctx context.Context, st *status) error {
	entries, err := s.entries(ctx, st.Batch)
	if err != nil {
		return err
	}
	if last, ok := st.LastSeen[ingest.PH]; ok {
		st.PH = &phSeen{Value: last.Value, Time: last.Time, From: last.Sensor}
	}
	gone := struck(entries)
	st.Unpacked = st.Batch.Ended == nil && st.Verdict != nil && st.Verdict.Packaged != nil
	for _, e := range entries {
		if gone[e.Seq] {
			continue
		}
		switch e.Kind {
		case journal.Packaged:
			st.Unpacked = false // it is about to be ended
		case journal.CrashStarted:
			st.Crashed, st.entered = &e.Time, e.Entered
		case journal.SampleEntry:
			var m Sample
			if err := json.Unmarshal(e.Body, &m); err != nil {
				return fmt.Errorf("read sample %d of batch %s: %w", e.Seq, e.Batch, err)
			}
			if m.PH != nil && (st.PH == nil || e.Time.After(st.PH.Time)) {
				st.PH = &phSeen{Value: *m.PH, Time: e.Time, From: "sample"}
			}
		}
	}
	return nil
}

// struck lists the entries that a later one marked as wrong.
func struck(entries []journal.Entry) map[int64]bool {
	gone := map[int64]bool{}
	for _, e := range entries {
		if e.Kind != journal.StruckEntry {
			continue
		}
		var b struct {
			Seq int64 `json:"seq"`
		}
		if json.Unmarshal(e.Body, &b) == nil && b.Seq != 0 {
			gone[b.Seq] = true
		}
	}
	return gone
}

// age judges whether the gravity readings are too old; a batch that is
// packaged has no readings to wait for.
func (s *Server) age(st *status) {
	last, ok := st.LastSeen[ingest.Gravity]
	st.NeverHeard = !ok
	from := st.Batch.Started
	if ok {
		from = last.Time
	}
	st.Silent = s.opts.Now().Sub(from)
	st.Stale = st.Batch.Ended == nil && st.Silent > s.opts.StaleAfter
	if st.Crashed != nil {
		since := s.opts.Now().Sub(st.entered)
		// A sentence of an older version, or one that a kill left behind, does not say
		// what it knows.
		st.Cooling = st.Verdict != nil && st.Verdict.CrashStarted != nil || st.Outlook != nil && st.Outlook.Time.Sub(st.entered) > lookTakes
		st.Awaits = !st.Cooling && st.Verdict != nil && st.Batch.Ended == nil && since >= 0 && since < lookTakes && s.unwatched(st.Batch.ID) == ""
	}
}

// lookTakes is how long an entry may take to move the belief, unless something is
// wrong: then what was said before is shown again.
const lookTakes = 2 * time.Minute

// find reads a batch; ok is false if there is none of that name.
func (s *Server) find(ctx context.Context, id string) (journal.Batch, bool, error) {
	b, err := s.opts.Journal.Batch(ctx, id)
	if errors.Is(err, journal.ErrNotFound) {
		return b, false, nil
	}
	return b, err == nil, err
}

// lastGravity is when a float last spoke.
func (st *status) lastGravity() (time.Time, bool) {
	last, ok := st.LastSeen[ingest.Gravity]
	return last.Time, ok
}
