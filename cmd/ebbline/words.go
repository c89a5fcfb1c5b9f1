package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// words are what a watch said, as the journal keeps it.
type words struct {
	events     []journal.Event
	alerts     []journal.Alert
	resolved   []string
	deliveries []journal.Delivery
}

// words turns events into records, numbering them on from the last.
func (k *keeper) words(id string, r *kept, events []alert.Event) (words, error) {
	var w words
	for _, e := range events {
		if e.Time.After(r.retold) {
			if err := w.number(id, r, e); err != nil {
				return words{}, err
			}
		}
		switch {
		case e.Estimate != nil:
			r.estimate = e.Estimate
		case e.Projection != nil:
			r.projection = e.Projection
		case r.again != nil:
			r.again.hear(e)
		case e.Alert != nil:
			if err := w.raise(k, id, r, e); err != nil {
				return words{}, err
			}
		case e.Resolved != nil:
			w.resolved = append(w.resolved, r.alertID(id, e.Resolved.Kind, e.Resolved.N))
		}
	}
	return w, nil
}

// raise adds an alert, and its first telling unless it speaks of what was.
func (w *words) raise(k *keeper, id string, r *kept, e alert.Event) error {
	a, err := k.alert(id, r, e)
	if err != nil {
		return err
	}
	w.alerts = append(w.alerts, a)
	if !stale(a) {
		w.deliveries = append(w.deliveries, deliver.Plan(a, k.tellBy(), a.Recorded)...)
	}
	return nil
}

// number adds the event, and why it was raised if it is an alert, under the next
// numbers of its batch.
func (w *words) number(id string, r *kept, e alert.Event) error {
	kind, body, err := record(e)
	if err != nil {
		return fmt.Errorf("writing an event of batch %s: %w", id, err)
	}
	r.said++
	w.events = append(w.events, journal.Event{Batch: id, N: r.said, Type: kind, Time: e.Time, Body: body})
	if e.Alert == nil {
		return nil
	}
	cause, err := causeOf(e.Alert)
	if err != nil {
		return fmt.Errorf("writing why an alert of batch %s was raised: %w", id, err)
	}
	r.said++
	w.events = append(w.events, journal.Event{Batch: id, N: r.said, Type: "raised", Time: e.Time, Body: cause})
	return nil
}

// present is what is believed of a batch now and what to do about it, as the
// page shows it: newer than the last events, which come every quarter of an hour
// at most.
type present struct {
	Time time.Time `json:"time"`
	Text string    `json:"text"`
	// In is Text in other scales than the configuration's, by page.Units.Scales,
	// where it reads differently.
	In         map[string]string `json:"in,omitempty"`
	Estimate   json.RawMessage   `json:"estimate,omitempty"`
	Projection json.RawMessage   `json:"projection,omitempty"`
}

// sentenceEvery is how old a sentence may become that says the same as before.
// It is some kilobytes, and writing it with each reading wears a memory card.
const sentenceEvery = 10 * time.Minute

// sentence keeps what is believed and what to do, after every look. It stands
// beside the numbered events: how often it is looked at must not count.
func (k *keeper) sentence(ctx context.Context, id string, r *kept) error {
	st := r.watch.State()
	aside := k.aside(id)
	p := present{Time: st.Now, Text: advice(r, st, aside, k.clock.Now())}
	p.In = inScales(r, st, aside, k.clock.Now())
	said, err := allBut(p.Text, st)
	if err != nil {
		return err
	}
	if said == r.sentence && st.Now.Sub(r.sentenceAt) < sentenceEvery {
		return nil
	}
	if st.Estimate != nil && st.Projection != nil {
		if _, p.Estimate, err = record(alert.Event{Time: st.Now, Estimate: st.Estimate}); err == nil {
			p.Projection, err = drawn(st.Now, st.Projection)
		}
	}
	if err != nil {
		return fmt.Errorf("writing what is believed: %w", err)
	}
	body, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("writing the sentence: %w", err)
	}
	if err := k.journal.Set(ctx, page.SentenceKey(id), string(body)); err != nil {
		return fmt.Errorf("writing down the sentence: %w", err)
	}
	r.sentence, r.sentenceAt = said, st.Now
	k.news(id)
	return nil
}

// advice is what to do, and what is to be said beside it.
func advice(r *kept, st alert.State, aside string, now time.Time) string {
	text := alert.Sentence(r.file.Batch, st)
	if r.waits(now) && !r.hasFed {
		text = "Waiting for the first reading of this batch. Until one comes it is taken to ferment as is usual."
	}
	return strings.TrimSpace(text + " " + aside)
}

// inScales is the same for readers of other scales, where it reads differently.
func inScales(r *kept, st alert.State, aside string, now time.Time) map[string]string {
	in, text := map[string]string{}, advice(r, st, aside, now)
	for _, u := range []page.Units{{}, {Plato: true}, {Fahrenheit: true}, {Plato: true, Fahrenheit: true}} {
		st.Plato, st.Fahrenheit = u.Plato, u.Fahrenheit
		if other := advice(r, st, aside, now); other != text {
			in[u.Scales()] = other
		}
	}
	return in
}

// allBut is all that a sentence says but its own moment.
func allBut(text string, st alert.State) (string, error) {
	if st.Estimate == nil || st.Projection == nil {
		return text, nil
	}
	_, estimate, err := record(alert.Event{Estimate: st.Estimate})
	if err != nil {
		return "", fmt.Errorf("writing what is believed: %w", err)
	}
	_, outlook, err := record(alert.Event{Projection: st.Projection})
	if err != nil {
		return "", fmt.Errorf("writing what is believed: %w", err)
	}
	return text + string(estimate) + string(outlook), nil
}

// drawn is a projection with what the page draws of it beside the contract's fields.
func drawn(at time.Time, p *projection.Projection) (json.RawMessage, error) {
	_, line, err := record(alert.Event{Time: at, Projection: p})
	if err != nil {
		return nil, err
	}
	extra, err := json.Marshal(struct {
		Dots []time.Time           `json:"dots"`
		Fan  []projection.FanPoint `json:"fan"`
	}{p.Dots, p.Fan})
	if err != nil {
		return nil, err
	}
	line = append(bytes.TrimSuffix(line, []byte("}")), ',')
	return append(line, extra[1:]...), nil
}

// stale reports whether an alert speaks of what was, found out while a record
// from the past was taken in. It is on the page; the phone rings only for what
// is urgent still.
func stale(a journal.Alert) bool {
	return a.Severity != string(alert.Urgent) && a.Recorded.Sub(a.Raised) > time.Hour
}

// alertID is what the journal calls what the watch calls the nth of a kind.
func (r *kept) alertID(batch string, kind alert.Kind, n int) string {
	return alertID(batch, kind, n+r.offset[kind])
}

func alertID(batch string, kind alert.Kind, n int) string {
	return fmt.Sprintf("%s/%s/%d", batch, kind, n)
}

// alert is the journal's record of an alert, with the numbers it rests on and a
// fresh token for its link.
func (k *keeper) alert(id string, r *kept, e alert.Event) (journal.Alert, error) {
	token, err := newToken()
	if err != nil {
		return journal.Alert{}, err
	}
	a := journal.Alert{
		ID: r.alertID(id, e.Alert.Kind, e.Alert.N), Batch: id, Kind: string(e.Alert.Kind), Severity: string(e.Alert.Severity),
		Title: e.Alert.Title, Message: e.Alert.Message, Raised: e.Time, Recorded: k.clock.Now(),
		Token: token,
	}
	a.Body, err = bodyOf(a, r.file.Batch, r.estimate, r.projection)
	return a, err
}

// newToken opens the link of one alert.
func newToken() (string, error) {
	token := make([]byte, 18)
	if _, err := rand.Read(token); err != nil {
		return "", fmt.Errorf("drawing a token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(token), nil
}

func bodyOf(a journal.Alert, b projection.Batch, e *projection.Estimate, p *projection.Projection) (json.RawMessage, error) {
	body, err := json.Marshal(hookBody(a, b, e, p))
	if err != nil {
		return nil, fmt.Errorf("writing the body of an alert: %w", err)
	}
	return body, nil
}

// hookBody is what a webhook gets of an alert: with the belief it was raised on,
// not one from later in the same stretch of readings.
func hookBody(a journal.Alert, b projection.Batch, e *projection.Estimate, p *projection.Projection) deliver.Hook {
	h := deliver.Hook{
		ID: a.ID, Batch: b.Name, Kind: a.Kind, Severity: a.Severity,
		Title: a.Title, Message: a.Message, Time: a.Raised.UTC(),
	}
	if p != nil && p.CrashBy != nil {
		by := p.CrashBy.UTC()
		h.CrashBy = &by
	}
	if e != nil {
		h.ABV, h.ABVSD = number(float64(e.ABV)), number(float64(e.ABVSD))
		h.Gravity, h.GravitySD = number(float64(e.Gravity)), number(float64(e.GravitySD))
	}
	return h
}

func number(v float64) *float64 { return &v }

// causeOf is what the journal keeps of why an alert was raised, beside the
// contract's line, as "resolved" is kept of its end.
func causeOf(a *alert.Alert) (json.RawMessage, error) {
	return json.Marshal(struct {
		Kind     alert.Kind
		N        int
		Severity alert.Severity
		Why      string
	}{a.Kind, a.N, a.Severity, a.Cause})
}

// record is the type and body under which the journal keeps an event: the
// contract's line.
func record(e alert.Event) (string, json.RawMessage, error) {
	kind := "projection"
	switch {
	case e.Resolved != nil:
		body, err := json.Marshal(e.Resolved)
		return "resolved", body, err
	case e.Estimate != nil:
		kind = "estimate"
	case e.Alert != nil:
		kind = "alert"
	}
	line, err := e.Line()
	return kind, line, err
}
