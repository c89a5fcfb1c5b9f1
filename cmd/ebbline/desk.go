package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// What the page's forms ask of the daemon besides samples and the like.

// Strike marks an earlier sample, crash, packaging or note as a mistake. Striking out
// what is struck out changes nothing.
func (d *daemon) Strike(ctx context.Context, batch string, s page.Strike) error {
	kind, err := d.kindOf(ctx, batch, s.Seq)
	if err != nil {
		return err
	}
	switch kind {
	case journal.SampleEntry, journal.CrashStarted, journal.NoteEntry:
	case journal.Packaged:
		return d.strikePackaging(ctx, batch, s.Seq)
	default:
		return &page.Refused{Field: "seq", Text: "only samples, the start of the crash, a packaging and notes can be struck out"}
	}
	// The key is the entry's own, whoever asks: an entry is struck out once.
	body := struct {
		Seq  int64             `json:"seq"`
		Kind journal.EntryKind `json:"kind"`
	}{s.Seq, kind}
	as := journal.StruckEntry
	if kind == journal.NoteEntry {
		return d.enterNote(ctx, batch, as, journal.StrikeKey(s.Seq), body)
	}
	return d.enter(ctx, batch, as, s.Time, journal.StrikeKey(s.Seq), body)
}

// kindOf is the kind of a batch's entry; below nought of a sample in its file.
func (d *daemon) kindOf(ctx context.Context, batch string, seq int64) (journal.EntryKind, error) {
	b, err := d.journal.Batch(ctx, batch)
	if err != nil {
		return "", err
	}
	if seq < 0 {
		samples, err := written(b)
		if err != nil || -seq <= int64(len(samples)) {
			return journal.SampleEntry, err
		}
	}
	all, err := d.journal.SoundEntries(ctx, batch)
	if err != nil {
		return "", err
	}
	changed, err := d.journal.ChangedEntries(ctx, batch)
	if err != nil {
		return "", err
	}
	all = append(all, changed...)
	i := slices.IndexFunc(all, func(e journal.Entry) bool { return e.Seq == seq })
	if i < 0 {
		return "", &page.Refused{Field: "seq", Text: fmt.Sprintf("batch %s has no entry %d", batch, seq)}
	}
	return all[i].Kind, nil
}

// enterNote writes down what changes no belief, also of a packaged batch.
func (d *daemon) enterNote(ctx context.Context, batch string, kind journal.EntryKind, key string, body any) error {
	raw, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("writing the entry: %w", err)
	}
	now := d.clock.Now()
	if _, err := d.journal.AddEntry(ctx, journal.Entry{Batch: batch, Kind: kind, Time: now, Entered: now, Body: raw, Key: key}); err != nil {
		return fmt.Errorf("keeping the entry: %w", err)
	}
	d.keeper.entered(batch)
	return nil
}

// SetSensors gives a batch these sensors from now on.
func (d *daemon) SetSensors(ctx context.Context, batch string, w page.Swap) error {
	known := d.defined()
	b, err := d.journal.Batch(ctx, batch)
	if err != nil {
		return err
	}
	for i, name := range w.Sensors {
		if !known(name) && !slices.Contains(b.Sensors, name) {
			return &page.Refused{Field: "sensor", Text: fmt.Sprintf("there is no sensor %q", name)}
		}
		if slices.Contains(w.Sensors[:i], name) {
			return &page.Refused{Field: "sensor", Text: fmt.Sprintf("%q is named twice", name)}
		}
	}
	if w.Sensors == nil {
		w.Sensors = []string{}
	}
	err = d.enter(ctx, batch, journal.SensorChanged, w.Time, w.Key, map[string][]string{"sensors": w.Sensors})
	var claimed journal.ErrSensorClaimed
	if errors.As(err, &claimed) {
		return &page.Refused{Field: "sensor", Text: claimed.Error()}
	}
	return err
}

// quietKey is where the journal keeps the hours that were set on the page.
const quietKey = "quiet hours"

// openQuiet takes up the hours of sleep that were set on the page; those of the
// configuration go before.
func (d *daemon) openQuiet(ctx context.Context) error {
	hours, err := d.quietOfPage(ctx)
	switch {
	case errors.Is(err, journal.ErrChanged):
		d.log.Error("the quiet hours cannot be read, so there are none", "error", err)
		return nil
	case err != nil || hours == nil:
		return err
	case d.conf().Quiet != nil:
		d.log.Warn("the quiet hours of the configuration go before those that were set on the page", "page", hours.From.String()+"–"+hours.To.String())
	default:
		d.keeper.options.Quiet = hours
	}
	return nil
}

// quietOfPage are the hours of sleep that were set on the page; nil: none.
func (d *daemon) quietOfPage(ctx context.Context) (*alert.Quiet, error) {
	raw, ok, err := d.journal.Get(ctx, quietKey)
	if err != nil || !ok || raw == "" {
		return nil, err
	}
	var q page.Quiet
	if err := json.Unmarshal([]byte(raw), &q); err != nil {
		return nil, fmt.Errorf("reading the quiet hours: %w", err)
	}
	return clocks(q)
}

// clocks reads the hours of the page.
func clocks(q page.Quiet) (*alert.Quiet, error) {
	var out alert.Quiet
	for into, text := range map[*alert.Clock]string{&out.From: q.From, &out.To: q.To} {
		t, err := time.Parse("15:04", text)
		if err != nil {
			return nil, fmt.Errorf("quiet hours: %q is not a time of day", text)
		}
		*into = alert.Clock(t.Hour()*60 + t.Minute())
	}
	return &out, nil
}

// SetQuiet sets the hours of sleep of all batches that have none of their own.
func (d *daemon) SetQuiet(ctx context.Context, q *page.Quiet) error {
	if d.conf().Quiet != nil {
		return &page.Refused{Text: "the configuration sets the quiet hours; change them there"}
	}
	if q == nil {
		if err := d.journal.Set(ctx, quietKey, ""); err != nil {
			return err
		}
		d.keeper.sleep(nil)
		return nil
	}
	hours, err := clocks(*q)
	if err != nil {
		return &page.Refused{Text: err.Error()}
	}
	raw, err := json.Marshal(q)
	if err != nil {
		return fmt.Errorf("writing the quiet hours: %w", err)
	}
	if err := d.journal.Set(ctx, quietKey, string(raw)); err != nil {
		return err
	}
	d.keeper.sleep(hours)
	return nil
}

// quietState is what holds of the hours of sleep.
func (d *daemon) quietState() page.QuietState {
	q := page.QuietState{Fixed: d.conf().Quiet != nil}
	if h := d.keeper.settings().Quiet; h != nil {
		q.Hours = &page.Quiet{From: h.From.String(), To: h.To.String()}
	}
	return q
}

// channelStates say how each way to the brewer fares.
func (d *daemon) channelStates() []page.ChannelState {
	var out []page.ChannelState
	for _, s := range d.ladder.Load().Status() {
		out = append(out, page.ChannelState{
			Name: s.Name, LastSuccess: s.LastSuccess, LastFailure: s.LastFailure, LastError: s.LastError, FailingSince: s.FailingSince, Held: s.Held,
		})
	}
	return out
}

// tryFor is how long a test may take: someone waits for it.
const tryFor = 15 * time.Second

// TryChannel sends a test. It goes around the outbox, so that it neither waits
// behind others nor counts as one of them.
func (d *daemon) TryChannel(ctx context.Context, name string) error {
	rungs := d.ladder.Load().rungs
	i := slices.IndexFunc(rungs, func(r deliver.Rung) bool { return r.Name() == name })
	if i < 0 {
		return &page.Refused{Field: "channel", Text: fmt.Sprintf("there is no channel %q", name)}
	}
	ctx, cancel := context.WithTimeout(ctx, tryFor)
	defer cancel()
	return deliver.Try(ctx, rungs[i].Channel, d.clock.Now())
}

// packagingWords are what keg and bottles would make of a batch's beer, in the
// reader's scales.
func (d *daemon) packagingWords(batch string, u page.Units) []string {
	r, st := d.keeper.about(batch)
	if r == nil {
		return nil
	}
	st.Plato, st.Fahrenheit = u.Plato, u.Fahrenheit
	return alert.BeforePackaging(r.file.Batch, st)
}

// doubtsOf are what can hardly be meant of a batch, beside the fields of the page's form.
func doubtsOf(b projection.Batch) (all []page.Doubt) {
	fields := map[string]string{"crash.to": "crash_to", "crash.time_constant": "time_constant", "response_time": "response"}
	for _, d := range config.Doubts(b, nil) {
		all = append(all, page.Doubt{Field: cmp.Or(fields[d.Key], d.Key), Text: strings.ToUpper(d.Text[:1]) + d.Text[1:], Never: d.Never})
	}
	return all
}

// planFor is `ebbline plan` for the page, with its defaults where the page asks
// for nothing.
func planFor(q page.PlanRequest) (page.Plan, error) {
	r := planRequest{
		og: q.OriginalGravity, ceiling: q.Ceiling, rule: q.Rule, volume: q.Volume, yeast: q.Yeast, temperature: q.Temperature,
		crashTo: q.CrashTo, timeConstant: q.TimeConstant, risk: q.Risk, carbonation: 2.4, sugar: gravity.Sucrose,
		errors: gravity.Errors{OriginalGravity: 0.4, Float: 1, Sample: 0.5},
	}
	p, err := newPlan(r)
	if err != nil {
		return page.Plan{}, err
	}
	out := page.Plan{
		Target: gravity.SG(p.Target[string(p.Rule)]), MarginPoints: p.MarginPoints, Warnings: p.Warnings,
		Lead: [2]float64{p.Lead.P10, p.Lead.P90}, Days: [2]float64{p.DaysToCrash.P10, p.DaysToCrash.P90},
	}
	if p.StopAt != nil {
		g := gravity.SG(*p.StopAt)
		out.StopAt = &g
	}
	if p.CrashAt != nil {
		g := gravity.SG(p.CrashAt.P50)
		out.CrashAt = &g
	}
	return out, nil
}
