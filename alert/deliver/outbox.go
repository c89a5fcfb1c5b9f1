package deliver

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"ebbline/ingest/journal"
)

// Store is what the outbox needs of the journal.
type Store interface {
	// Due lists deliveries that are not done and due at now or before.
	Due(ctx context.Context, now time.Time, limit int) ([]journal.Delivery, error)
	// Queue stores deliveries; one that is there already is left as it is.
	Queue(ctx context.Context, d []journal.Delivery) error
	// MarkStarted counts an attempt before it is made.
	MarkStarted(ctx context.Context, id int64, at time.Time) error
	MarkDone(ctx context.Context, id int64, at time.Time, outcome, errText string) error
	Postpone(ctx context.Context, id int64, due time.Time, errText string) error
	Alert(ctx context.Context, id string) (journal.Alert, error)
}

// Options are the settings of an Outbox. Now must be set.
type Options struct {
	// Now is the daemon's clock.
	Now func() time.Time
	// AckURL makes the link of an alert from its token; nil: no links.
	AckURL func(token string) string
	// Latest is the sentence that holds of the alert's batch now: repeats say it
	// instead of what held at first. nil or empty: they say the first message.
	Latest func(ctx context.Context, a journal.Alert) string
	Repeat Repeat
	// Poll is how often the journal is asked unless woken, in real time; 1 s.
	Poll time.Duration
	// Grace is how long a message under way may take once Run is to end; 3 s.
	Grace time.Duration
	// Jitter gives numbers in [0, 1); nil: random ones.
	Jitter func() float64
	Logger *slog.Logger
}

// Outbox tells what the journal holds to be told. Each channel has a worker of
// its own: a dead one delays no other.
type Outbox struct {
	store   Store
	opts    Options
	order   []*worker
	workers map[string]*worker
	wake    chan struct{}

	mu     sync.Mutex
	inHand map[int64]bool // deliveries given to a worker and not yet settled
}

// Status is how a channel fares.
type Status struct {
	Name string
	// LastSuccess and LastFailure are zero if there was none since the start.
	LastSuccess, LastFailure time.Time
	LastError                string // of LastFailure; no secrets
}

// NewOutbox makes an outbox; Run starts it.
func NewOutbox(store Store, channels []Channel, o Options) *Outbox {
	o.Repeat = o.Repeat.filled()
	if o.Poll <= 0 {
		o.Poll = time.Second
	}
	if o.Grace <= 0 {
		o.Grace = 3 * time.Second
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
	if o.AckURL == nil {
		o.AckURL = func(string) string { return "" }
	}
	if o.Latest == nil {
		o.Latest = func(context.Context, journal.Alert) string { return "" }
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	b := &Outbox{store: store, opts: o, workers: map[string]*worker{}, wake: make(chan struct{}, 1), inHand: map[int64]bool{}}
	for _, c := range channels {
		w := &worker{box: b, channel: c, work: make(chan journal.Delivery, 64), log: o.Logger.With("channel", c.Name())}
		b.workers[c.Name()] = w
		b.order = append(b.order, w)
	}
	return b
}

// Wake makes the outbox look at the journal now. It never blocks.
func (b *Outbox) Wake() {
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// Status tells how each channel fares, in the order they were given.
func (b *Outbox) Status() []Status {
	var all []Status
	for _, w := range b.order {
		all = append(all, w.fares())
	}
	return all
}

// Run tells what is due until ctx ends; a message then under way gets the grace
// to come to its end. A message that was under way when the daemon was killed
// is sent again, once.
func (b *Outbox) Run(ctx context.Context) {
	sending, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	var workers sync.WaitGroup
	for _, w := range b.order {
		workers.Go(func() { w.run(ctx, sending) })
	}
	poll := time.NewTicker(b.opts.Poll)
	defer poll.Stop()
	for ctx.Err() == nil {
		b.dispatch(ctx)
		select {
		case <-ctx.Done():
		case <-b.wake:
		case <-poll.C:
		}
	}
	grace := time.AfterFunc(b.opts.Grace, stop)
	defer grace.Stop()
	workers.Wait()
}

// dispatch gives what is due to the workers, each delivery to one at a time.
// The lock is held from asking to giving, so that a delivery settled meanwhile
// is not given again by what was read before.
func (b *Outbox) dispatch(ctx context.Context) {
	b.mu.Lock()
	defer b.mu.Unlock()
	due, err := b.store.Due(ctx, b.opts.Now(), 0)
	if err != nil {
		if ctx.Err() == nil {
			b.opts.Logger.Error("the journal does not say what to tell; asked again", "error", err)
		}
		return
	}
	for _, d := range due {
		if b.inHand[d.ID] {
			continue
		}
		w := b.workers[d.Channel]
		if w == nil {
			b.dropUnknown(ctx, d)
			continue
		}
		select {
		case w.work <- d:
			b.inHand[d.ID] = true
		default: // the worker has enough; it is given when there is room
		}
	}
}

// dropUnknown ends a delivery for a channel that the configuration has no more.
func (b *Outbox) dropUnknown(ctx context.Context, d journal.Delivery) {
	b.opts.Logger.Warn("a message is dropped: its channel is not configured", "channel", d.Channel, "alert", d.Alert)
	if err := b.store.MarkDone(ctx, d.ID, b.opts.Now(), dropped, "no such channel in the configuration"); err != nil {
		b.opts.Logger.Error("a dropped message could not be marked", "alert", d.Alert, "error", err)
	}
}

// settled takes a delivery out of hand, and looks for what comes next.
func (b *Outbox) settled(id int64) {
	b.mu.Lock()
	delete(b.inHand, id)
	b.mu.Unlock()
}
