package deliver

import (
	"context"
	"fmt"
	"time"

	"ebbline/ingest/journal"
)

// news is a message of the outbox's own, about a channel and not about a batch.
type news struct {
	note Note
	done func(ctx context.Context, err error)
}

// tellOfLost says of each channel that has failed for long, once per outage,
// that the person cannot be reached by it; by the first channel that works.
func (b *Outbox) tellOfLost(now time.Time) {
	for _, w := range b.order {
		r := w.kept()
		if !r.lost() || r.ToldBy != "" || w.askedAt(now) {
			continue
		}
		for _, other := range b.order {
			if other == w || !other.kept().Since.IsZero() {
				continue
			}
			n := news{note: lostNote(w.rung.Name(), r, now), done: func(ctx context.Context, err error) { w.toldBy(ctx, other, err) }}
			select {
			case other.news <- n:
				w.ask(now.Add(time.Minute))
			default: // it has news to tell already; asked again at the next poll
			}
			break
		}
	}
}

// lostNote is the message; its ID names the outage.
func lostNote(channel string, r record, now time.Time) Note {
	return Note{N: 1, Alert: journal.Alert{
		ID: fmt.Sprintf("cannot-reach/%s/%d", channel, r.Since.Unix()), Kind: "cannot-reach", Severity: "warning",
		Title: "ebbline cannot reach you by " + channel,
		Message: fmt.Sprintf("ebbline has not got through by %s for %s: %s. Until that is mended alerts come here instead. It is tried on.",
			channel, minutes(now.Sub(r.Since)), r.Error),
		Raised: now, Recorded: now,
	}}
}

// askedAt reports whether a channel is telling of this one now, or did so in vain
// a moment ago.
func (w *worker) askedAt(now time.Time) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return now.Before(w.quiet)
}

func (w *worker) ask(quiet time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.quiet = quiet
}

// toldBy notes that another channel has told of the outage; if that failed, it
// is asked again.
func (w *worker) toldBy(ctx context.Context, other *worker, err error) {
	if err != nil {
		w.log.Warn("that the channel is lost could not be told", "by", other.rung.Name(), "error", asError(err).Error())
		return
	}
	w.log.Error("the channel is lost; this was told by another", "by", other.rung.Name())
	w.change(ctx, func(r record) record {
		if r.lost() { // it may be back meanwhile
			r.ToldBy = other.rung.Name()
		}
		return r
	})
}
