package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
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
		kind, body, err := record(e)
		if err != nil {
			return words{}, fmt.Errorf("writing an event of batch %s: %w", id, err)
		}
		r.said++
		w.events = append(w.events, journal.Event{Batch: id, N: r.said, Type: kind, Time: e.Time, Body: body})
		switch {
		case e.Estimate != nil:
			r.estimate = e.Estimate
		case e.Projection != nil:
			r.projection = e.Projection
		case e.Alert != nil:
			a, err := k.alert(id, r, e)
			if err != nil {
				return words{}, err
			}
			w.alerts = append(w.alerts, a)
			w.deliveries = append(w.deliveries, k.deliveries(a)...)
		case e.Resolved != nil:
			w.resolved = append(w.resolved, alertID(id, e.Resolved.Kind, e.Resolved.N))
		}
	}
	return w, nil
}

// sentence keeps what to do about the batch, when that has changed. It stands
// beside the numbered events: how often it is looked at must not count.
func (k *keeper) sentence(ctx context.Context, id string, r *kept) error {
	text := alert.Sentence(r.file.Batch, r.watch.State())
	if text == r.sentence {
		return nil
	}
	body, err := json.Marshal(map[string]any{"time": r.watch.Now(), "text": text})
	if err != nil {
		return fmt.Errorf("writing the sentence: %w", err)
	}
	if err := k.journal.Set(ctx, page.SentenceKey(id), string(body)); err != nil {
		return fmt.Errorf("writing down the sentence: %w", err)
	}
	r.sentence = text
	return nil
}

func alertID(batch string, kind alert.Kind, n int) string {
	return fmt.Sprintf("%s/%s/%d", batch, kind, n)
}

// alert is the journal's record of an alert, with the numbers it rests on and a
// fresh token for its link.
func (k *keeper) alert(id string, r *kept, e alert.Event) (journal.Alert, error) {
	token := make([]byte, 18)
	if _, err := rand.Read(token); err != nil {
		return journal.Alert{}, fmt.Errorf("drawing a token: %w", err)
	}
	a := journal.Alert{
		ID: alertID(id, e.Alert.Kind, e.Alert.N), Batch: id, Kind: string(e.Alert.Kind), Severity: string(e.Alert.Severity),
		Title: e.Alert.Title, Message: e.Alert.Message, Raised: e.Time, Recorded: k.clock.Now(),
		Token: base64.RawURLEncoding.EncodeToString(token),
	}
	body, err := json.Marshal(hookBody(a, r.file.Batch, r.estimate, r.projection))
	if err != nil {
		return journal.Alert{}, fmt.Errorf("writing the body of an alert: %w", err)
	}
	a.Body = body
	return a, nil
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

// record is the type and body under which the journal keeps an event: the
// contract's line, to which a projection adds what the page draws.
func record(e alert.Event) (string, json.RawMessage, error) {
	if e.Resolved != nil {
		body, err := json.Marshal(e.Resolved)
		return "resolved", body, err
	}
	line, err := e.Line()
	if err != nil {
		return "", nil, err
	}
	switch {
	case e.Estimate != nil:
		return "estimate", line, nil
	case e.Alert != nil:
		return "alert", line, nil
	}
	extra, err := json.Marshal(struct {
		Dots []time.Time           `json:"dots"`
		Fan  []projection.FanPoint `json:"fan"`
	}{e.Projection.Dots, e.Projection.Fan})
	if err != nil {
		return "", nil, err
	}
	line = append(bytes.TrimSuffix(line, []byte("}")), ',')
	return "projection", append(line, extra[1:]...), nil
}
