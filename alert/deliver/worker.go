package deliver

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"ebbline/ingest/journal"
)

// The outcomes of a delivery, as the journal names them.
const (
	accepted = "accepted"
	refused  = "refused"
	dropped  = "dropped"
)

// worker sends by one channel, one message at a time.
type worker struct {
	box     *Outbox
	channel Channel
	work    chan journal.Delivery
	log     *slog.Logger

	mu     sync.Mutex
	status Status
}

func (w *worker) run(ctx, sending context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case d := <-w.work:
			if ctx.Err() != nil {
				return
			}
			w.handle(ctx, sending, d)
			w.box.settled(d.ID)
		}
	}
}

// handle decides about one delivery and carries it out. What the journal does
// not take is tried again at the next poll; a message is sent only once its
// start is in the journal.
func (w *worker) handle(ctx, sending context.Context, d journal.Delivery) {
	store, now := w.box.store, w.box.opts.Now()
	a, err := store.Alert(ctx, d.Alert)
	if errors.Is(err, journal.ErrNotFound) {
		w.must(sending, func() error { return store.MarkDone(sending, d.ID, now, dropped, "the alert is not in the journal") })
		return
	}
	if err != nil {
		w.log.Error("an alert could not be read; tried again", "alert", d.Alert, "error", err)
		return
	}
	v := decide(a, now, w.box.opts.Repeat)
	if c, ok := w.channel.(chooser); ok && !c.wants(a.Severity) {
		v = verdict{drop: "the channel does not take this severity"}
	}
	switch {
	case v.drop != "":
		w.must(sending, func() error { return store.MarkDone(sending, d.ID, now, dropped, v.drop) })
	case !v.hold.IsZero():
		w.must(sending, func() error { return store.Postpone(sending, d.ID, v.hold, "to be reminded later") })
	default:
		if err := store.MarkStarted(ctx, d.ID, now); err != nil {
			w.log.Error("a message is not sent: its start could not be recorded; tried again", "alert", d.Alert, "error", err)
			return
		}
		note := Note{Alert: a, N: d.N, AckURL: w.box.opts.AckURL(a.Token)}
		if d.N > 1 {
			note = note.again(w.box.opts.Latest(sending, a))
		}
		w.after(sending, a, d, w.channel.Send(sending, note))
	}
}

// after records what came of an attempt, and queues the next telling first: a
// kill in between doubles a message rather than ending the repeats.
func (w *worker) after(sending context.Context, a journal.Alert, d journal.Delivery, err error) {
	// What happened must be recorded even if the grace is over.
	ctx := context.WithoutCancel(sending)
	store, now := w.box.store, w.box.opts.Now()
	if err != nil && sending.Err() != nil {
		return // cut off at shut-down: not known, sent again at the next start
	}
	w.note(now, err)
	outcome, text := accepted, ""
	if err != nil {
		var e *Error
		if !errors.As(err, &e) {
			e = &Error{text: withoutAddress(err).Error()}
		}
		text = e.Error()
		if e.Fault != Permanent {
			due := now.Add(wait(e, d.Attempts+1, w.box.opts.Jitter()))
			w.log.Warn("a message did not get through; tried again", "alert", d.Alert, "telling", d.N, "attempt", d.Attempts+1, "due", due, "error", text)
			w.must(sending, func() error { return store.Postpone(ctx, d.ID, due, text) })
			return
		}
		outcome = refused
		w.log.Error("a message was refused", "alert", d.Alert, "telling", d.N, "error", text)
	} else {
		w.log.Info("a message was accepted", "alert", d.Alert, "telling", d.N)
	}
	if again, ok := w.box.opts.Repeat.after(a, d.N); ok {
		next := journal.Delivery{Alert: d.Alert, Channel: d.Channel, N: d.N + 1, Due: now.Add(again)}
		w.must(sending, func() error { return store.Queue(ctx, []journal.Delivery{next}) })
	}
	w.must(sending, func() error { return store.MarkDone(ctx, d.ID, now, outcome, text) })
}

// must does it again until the journal takes it or the daemon ends: a message
// that was sent and not recorded would be sent again.
func (w *worker) must(ctx context.Context, do func() error) {
	for pause := 100 * time.Millisecond; ; pause = min(2*pause, 10*time.Second) {
		err := do()
		if err == nil || errors.Is(err, journal.ErrNotFound) || ctx.Err() != nil {
			return
		}
		w.log.Error("what became of a message could not be recorded; tried again", "error", err)
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

func (w *worker) note(now time.Time, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err == nil {
		w.status.LastSuccess = now
		return
	}
	w.status.LastFailure, w.status.LastError = now, withoutAddress(err).Error()
}

func (w *worker) fares() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.status
	s.Name = w.channel.Name()
	return s
}
