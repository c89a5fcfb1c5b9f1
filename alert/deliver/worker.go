package deliver

import (
	"context"
	"errors"
	"fmt"
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

// Unconfigured is the error of a delivery that was dropped because the
// configuration names no such channel.
const Unconfigured = "no such channel in the configuration"

// worker sends by one channel, one message at a time.
type worker struct {
	box  *Outbox
	rung Rung
	work chan journal.Delivery
	news chan news
	log  *slog.Logger

	saving sync.Mutex // so that the journal holds the newest record
	mu     sync.Mutex
	record record
	held   int
	// quiet is until when no other channel is asked to tell that this one is lost.
	quiet time.Time
}

func (w *worker) run(ctx, sending context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case n := <-w.news:
			err := w.rung.Send(sending, n.note)
			w.fared(sending, err)
			n.done(context.WithoutCancel(sending), err)
		case d := <-w.work:
			if ctx.Err() != nil {
				return
			}
			handled := w.handle(ctx, sending, d)
			w.box.settled(d.ID, handled)
			if handled {
				w.box.Wake() // for the next one
			}
		}
	}
}

// handle decides about one delivery and carries it out. What the journal does
// not take is tried again at the next poll; a message is sent only once its
// start is in the journal. False: it could not be handled.
func (w *worker) handle(ctx, sending context.Context, d journal.Delivery) bool {
	store, now := w.box.store, w.box.opts.Now()
	v, s, err := w.box.judge(ctx, w, d, now)
	if errors.Is(err, journal.ErrNotFound) {
		w.must(sending, func() error { return store.MarkDone(sending, d.ID, now, dropped, "the alert is not in the journal") })
		return true
	}
	if err != nil {
		w.log.Error("an alert could not be read; tried again", "alert", d.Alert, "error", err)
		return false
	}
	switch {
	case v.drop != "":
		w.must(sending, func() error { return store.MarkDone(sending, d.ID, now, dropped, v.drop) })
	case !v.hold.IsZero():
		w.must(sending, func() error { return store.Postpone(sending, d.ID, v.hold, "to be reminded later") })
	case v.wait != "": // since it was given; the next look sees it too
	default:
		note, past := w.compose(ctx, s, d.N)
		if past {
			w.must(sending, func() error { return store.MarkDone(sending, d.ID, now, dropped, "it has come or gone meanwhile") })
			return true
		}
		if err := store.MarkStarted(ctx, d.ID, now); err != nil {
			w.log.Error("a message is not sent: its start could not be recorded; tried again", "alert", d.Alert, "error", err)
			return false
		}
		w.after(sending, s.alert, d, w.rung.Send(sending, note))
	}
	return true
}

// freshFor is how long the words of an alert stay true: then the moment that they
// name may have passed, or another day begun.
const freshFor = time.Minute

// compose makes the telling's note. What comes late, or again, says what holds
// now; what others were told before and nobody answered says so. Past says that
// there is nothing left to tell.
func (w *worker) compose(ctx context.Context, s situation, n int) (note Note, past bool) {
	note = Note{Alert: s.alert, N: n, AckURL: w.box.opts.AckURL(s.alert.Token)}
	a := s.alert
	if n > 1 || s.now.Sub(a.Raised) >= freshFor {
		p := w.box.opts.Latest(ctx, a)
		newer, err := note.renewed(p)
		switch {
		case p.Past:
			return note, true
		case err != nil:
			w.log.Error("a message says what held at first", "alert", a.ID, "error", err)
			note = note.dated(s.now, w.box.opts.Location)
		case p.Message == "":
			note = note.dated(s.now, w.box.opts.Location)
		case lateFound(a) && a.Severity != urgent && a.Kind != "crash-soon": // those speak of what is to be done
			newer.Alert.Message += fmt.Sprintf("\n\nThis has been so for %s; it was found out late, and holds still.", since(s.now.Sub(a.Raised)))
			note = newer
		default:
			note = newer
		}
	}
	again := n > 1
	for _, p := range s.before {
		again = again || p.told
	}
	if again {
		note = note.unanswered()
	}
	if words := lastWords(s.recent, s.now, s.rung); words != "" {
		note.Alert.Message += "\n\n" + words
	}
	return note, false
}

// after records what came of an attempt, and queues the next telling first: a
// kill in between doubles a message rather than ending the repeats.
func (w *worker) after(sending context.Context, a journal.Alert, d journal.Delivery, err error) {
	if err != nil && sending.Err() != nil {
		return // cut off at shut-down: not known, sent again at the next start
	}
	// What happened must be recorded even if the grace is over.
	ctx := context.WithoutCancel(sending)
	store, now := w.box.store, w.box.opts.Now()
	defer w.fared(sending, err)
	outcome, text := accepted, ""
	if err != nil {
		e := asError(err)
		text = e.Error()
		if e.Fault != Permanent {
			due := now.Add(wait(e, a.Severity, d.Attempts+1, w.box.opts.Jitter()))
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

// fared notes how an attempt went, here and in the journal. What the journal
// does not take is in the next note that it does.
func (w *worker) fared(sending context.Context, err error) {
	now := w.box.opts.Now().Round(0).UTC()
	if err != nil && sending.Err() != nil {
		return
	}
	w.change(context.WithoutCancel(sending), func(r record) record {
		if err != nil {
			return r.failed(now, asError(err))
		}
		return r.accepted(now)
	})
}

// change changes the channel's record.
func (w *worker) change(ctx context.Context, f func(record) record) {
	w.saving.Lock()
	defer w.saving.Unlock()
	w.mu.Lock()
	w.record = f(w.record)
	r := w.record
	w.mu.Unlock()
	text, err := r.encode()
	if err == nil {
		err = w.box.store.Set(ctx, recordKey(w.rung.Name()), text)
	}
	if err != nil {
		w.log.Error("how the channel fares could not be recorded", "error", err)
	}
}

// recall reads how the channel fared before the daemon started.
func (w *worker) recall(ctx context.Context) {
	text, ok, err := w.box.store.Get(ctx, recordKey(w.rung.Name()))
	var r record
	if err == nil && ok {
		r, err = decodeRecord(text)
	}
	if err != nil {
		w.log.Error("how the channel fared before is not known", "error", err)
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.record = r
}

func (w *worker) kept() record {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.record
}

// hold notes how many messages wait for room in the hour.
func (w *worker) hold(n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if n > 0 && w.held == 0 {
		w.log.Warn("messages are held back: the channel has had its messages of this hour", "held", n)
	}
	w.held = n
}

func (w *worker) status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	r := w.record
	return Status{
		Name: w.rung.Name(), LastSuccess: r.Success, LastFailure: r.Failure, LastError: r.Error,
		FailingSince: r.Since, Unreachable: r.lost(), ToldBy: r.ToldBy, Held: w.held,
	}
}
