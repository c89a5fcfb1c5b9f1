package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// present is what is believed of a batch now and what to do about it, as the
// page shows it: newer than the last events, which come every quarter of an hour
// at most.
type present struct {
	Time time.Time `json:"time"`
	Text string    `json:"text"`
	// In is Text in other scales than the configuration's, by page.Units.Scales,
	// where it reads differently.
	In map[string]string `json:"in,omitempty"`
	// CrashStarted is the start of the crash that the belief knows of; nil: of none.
	CrashStarted *time.Time `json:"crash_started,omitempty"`
	// Packaged is when the beer was packaged, by the belief; nil: it was not.
	Packaged *time.Time `json:"packaged,omitempty"`
	// Both are absent while the first reading is waited for: nothing is believed.
	Estimate   json.RawMessage `json:"estimate,omitempty"`
	Projection json.RawMessage `json:"projection,omitempty"`
}

const (
	// sentenceEvery is how old a sentence may become that says the same as before.
	sentenceEvery = 10 * time.Minute
	// sentenceWritten is how old the one on disk may become, on the batch's clock. It
	// takes 4 KB and changes with each look; with an alert, at a stop and at the end
	// of the batch it is written too. After a kill the watch soon says another.
	sentenceWritten = time.Hour
)

// worded is a sentence as the page finds it, the moment it stands for, and all
// that it says but that moment.
type worded struct {
	journal.Setting
	at        time.Time
	said      [sha256.Size]byte // a sum: with ten thousand batches the words would be 40 MB
	writtenAt time.Time         // at, of the last one that is on disk
}

// sentence is what is believed and what to do now: the last one if that says the
// same. It stands beside the numbered events: how often it is looked at must not
// count.
func (k *keeper) sentence(id string, r *kept) (worded, error) {
	st := r.watch.State()
	if r.unheard(st, k.clock.Now()) {
		st.Estimate, st.Projection = nil, nil
	}
	aside := k.aside(id)
	p := present{Time: st.Now, Text: advice(r, st, aside, k.clock.Now()), CrashStarted: st.CrashStarted, Packaged: st.Packaged}
	p.In = inScales(r, st, aside, k.clock.Now())
	all, err := allBut(p.Text, st)
	if err != nil {
		return worded{}, err
	}
	said := sha256.Sum256([]byte(all))
	if said == r.sentence.said && st.Now.Sub(r.sentence.at) < sentenceEvery {
		return r.sentence, nil
	}
	if st.Estimate != nil && st.Projection != nil {
		if _, p.Estimate, err = record(alert.Event{Time: st.Now, Estimate: st.Estimate}); err == nil {
			p.Projection, err = drawn(st.Now, st.Projection)
		}
	}
	if err != nil {
		return worded{}, fmt.Errorf("writing what is believed: %w", err)
	}
	body, err := json.Marshal(p)
	if err != nil {
		return worded{}, fmt.Errorf("writing the sentence: %w", err)
	}
	return worded{Setting: journal.Setting{Key: page.SentenceKey(id), Value: string(body)}, at: st.Now, said: said, writtenAt: r.sentence.writtenAt}, nil
}

// reword takes up the sentence of now; the first and the last one are written down.
func (k *keeper) reword(ctx context.Context, id string, r *kept, last bool) error {
	s, err := k.sentence(id, r)
	if err != nil {
		return err
	}
	write := r.sentence.writtenAt.IsZero() || last && s.Value != r.sentence.Value
	if write {
		if err := k.journal.Set(ctx, s.Key, s.Value); err != nil {
			return fmt.Errorf("writing down the sentence: %w", err)
		}
	}
	k.worded(id, r, s, write)
	return nil
}

// worded lets the page have a sentence.
func (k *keeper) worded(id string, r *kept, s worded, written bool) {
	isNews := s.Value != r.sentence.Value
	if written {
		s.writtenAt = s.at
	} else if isNews {
		k.journal.Hold(s.Setting)
	}
	if r.sentence = s; isNews {
		k.news(id)
	}
}

// advice is what to do, and what is to be said beside it.
func advice(r *kept, st alert.State, aside string, now time.Time) string {
	text := alert.Sentence(r.file.Batch, st)
	if r.unheard(st, now) {
		text = "Waiting for the first reading of this batch. If none comes within two minutes, it is taken to have fermented as is usual."
	}
	return strings.TrimSpace(text + " " + aside)
}

// unheard reports whether the first reading of a batch pitched in the past is waited
// for: its watch stands far behind, and what it believes is not of now.
func (r *kept) unheard(st alert.State, now time.Time) bool {
	return r.waits(now) && !r.hasFed && st.LastReading.IsZero()
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
	if st.CrashStarted != nil {
		text += st.CrashStarted.String()
	}
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
