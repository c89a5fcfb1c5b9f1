package main

import (
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
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
	if stale(a) {
		r.told = false
		return nil
	}
	w.deliveries = append(w.deliveries, deliver.Plan(a, k.tellBy(), a.Recorded)...)
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

// stale reports whether an alert speaks of what was, found out while a record
// from the past was taken in. It is on the page; the phone rings at once only for
// what is urgent, and once the past is taken in for what still holds.
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
	a.Body, err = bodyOf(a, r.file.Batch, e.Alert.Estimate, e.Alert.Projection)
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
