package deliver

import (
	"cmp"
	"context"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbline/ingest/journal"
)

// Store is what the outbox needs of the journal.
type Store interface {
	// Due lists deliveries that are not done and due at now or before.
	Due(ctx context.Context, now time.Time, limit int) ([]journal.Delivery, error)
	// Deliveries lists all of an alert, in order of queueing.
	Deliveries(ctx context.Context, alert string) ([]journal.Delivery, error)
	// Queue stores deliveries; one that is there already is left as it is.
	Queue(ctx context.Context, d []journal.Delivery) error
	// MarkStarted counts an attempt before it is made.
	MarkStarted(ctx context.Context, id int64, at time.Time) error
	MarkDone(ctx context.Context, id int64, at time.Time, outcome, errText string) error
	Postpone(ctx context.Context, id int64, due time.Time, errText string) error
	Alert(ctx context.Context, id string) (journal.Alert, error)
	// Get and Set keep how a channel fares.
	Get(ctx context.Context, key string) (string, bool, error)
	Set(ctx context.Context, key, value string) error
}

// Options are the settings of an Outbox. Now must be set.
type Options struct {
	// Now is the daemon's clock.
	Now func() time.Time
	// Location is where the brewer reads the clock; nil: UTC.
	Location *time.Location
	// AckURL makes the link of an alert from its token; nil: no links.
	AckURL func(token string) string
	// Latest is the alert as it would be raised now: repeats, and what is told late,
	// say that instead of what held at first. nil or without a message: they say how
	// old their words are.
	Latest func(ctx context.Context, a journal.Alert) Present
	// Behind reports whether the alert's batch is still being brought up to the
	// present: what was found out late about it (see lateAfter) is told of first
	// when that is done and the alert holds still, or after holdMost. nil: never.
	Behind func(a journal.Alert) bool
	Repeat Repeat
	// Poll is how often the journal is asked unless woken, in real time; 1 s.
	Poll time.Duration
	// Grace is how long a message under way may take once Run is to end; 3 s.
	Grace time.Duration
	// Jitter gives numbers in [0, 1); nil: random ones.
	Jitter func() float64
	Logger *slog.Logger
}

func (o Options) filled() Options {
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
	if o.Location == nil {
		o.Location = time.UTC
	}
	if o.Latest == nil {
		o.Latest = func(context.Context, journal.Alert) Present { return Present{} }
	}
	if o.Behind == nil {
		o.Behind = func(journal.Alert) bool { return false }
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return o
}

// Outbox tells what the journal holds to be told. Each channel has a worker of
// its own: a dead one delays no other.
type Outbox struct {
	store   Store
	opts    Options
	order   []*worker // from the ladder's first rung on
	workers map[string]*worker
	wake    chan struct{}
	last    time.Time // of the last look
	waiting map[int64]waits
	dead    []bool // which channels were, at the last look

	mu     sync.Mutex
	inHand map[int64]bool // deliveries given to a worker and not yet settled
	failed map[int64]int  // how often in a row a worker could not handle it

	steps sync.Map // of alert ID: by how much the clock was set back since it was recorded
}

// waits is a delivery that was found to wait. It is judged again after a while,
// or when a channel dies or is back; not at every look, which would be a hundred
// readings of the journal a second for a hundred alerts that nobody answers.
type waits struct {
	why  reason
	till time.Time
}

// judgeEvery is how soon, unless something happens, it is judged again.
const judgeEvery = 10 * time.Second

// NewOutbox makes an outbox; Run starts it. The rungs are in the ladder's order.
func NewOutbox(store Store, ladder []Rung, o Options) *Outbox {
	b := &Outbox{store: store, opts: o.filled(), workers: map[string]*worker{}, wake: make(chan struct{}, 1), inHand: map[int64]bool{}, failed: map[int64]int{}}
	for _, r := range ladder {
		w := &worker{
			box: b, rung: r, work: make(chan journal.Delivery, 1), news: make(chan news, 1),
			log: b.opts.Logger.With("channel", r.Name()),
		}
		b.workers[r.Name()] = w
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

// Status tells how each channel fares, in the ladder's order.
func (b *Outbox) Status() []Status {
	var all []Status
	for _, w := range b.order {
		all = append(all, w.status())
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
		w.recall(ctx)
	}
	for _, w := range b.order {
		workers.Go(func() { w.run(ctx, sending) })
	}
	poll := time.NewTicker(b.opts.Poll)
	defer poll.Stop()
	for ctx.Err() == nil {
		b.look(ctx)
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

// look gives what is due to the workers, each delivery to one at a time.
func (b *Outbox) look(ctx context.Context) {
	now := b.opts.Now().Round(0) // by the wall clock, which may be set
	b.setBack(ctx, now)
	b.dispatch(ctx, now)
	b.tellOfLost(now)
}

// dispatch holds the lock from asking to giving, so that a delivery settled
// meanwhile is not given again by what was read before.
func (b *Outbox) dispatch(ctx context.Context, now time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	due, err := b.store.Due(ctx, now, 0)
	if err != nil {
		if ctx.Err() == nil {
			b.opts.Logger.Error("the journal does not say what to tell; asked again", "error", err)
		}
		return
	}
	slices.SortStableFunc(due, func(one, other journal.Delivery) int { return cmp.Compare(b.rank(one), b.rank(other)) })
	b.forget(now)
	held, full := map[*worker]int{}, map[*worker]bool{}
	for _, d := range due {
		if b.inHand[d.ID] {
			continue
		}
		w := b.workers[d.Channel]
		if w == nil {
			b.dropUnknown(ctx, d)
			continue
		}
		if full[w] { // also if it has room by now: one that is behind must not come first
			if b.waiting[d.ID].why == onBudget {
				held[w]++
			}
			continue
		}
		if why := b.waits(ctx, w, d, now); why != "" {
			if why == onBudget {
				held[w]++
			}
			continue
		}
		full[w] = !b.give(w, d)
	}
	for _, w := range b.order {
		w.hold(held[w])
	}
}

// give puts a delivery next in the worker's hand, false if there is one already;
// only one of crash-now goes before that.
func (b *Outbox) give(w *worker, d journal.Delivery) bool {
	select {
	case w.work <- d:
		b.inHand[d.ID] = true
		return true
	default:
	}
	if !ofCrash(d) {
		return false
	}
	select {
	case next := <-w.work:
		if ofCrash(next) {
			w.work <- next
			return false
		}
		delete(b.inHand, next.ID)
	default: // it has just taken it
	}
	w.work <- d // nobody else gives
	b.inHand[d.ID] = true
	return true
}

// rank puts those of crash-now before all others, and behind all what could not be
// handled, so that it is in nobody's way.
func (b *Outbox) rank(d journal.Delivery) (n int) {
	if !ofCrash(d) {
		n++
	}
	return n + 2*b.failed[d.ID]
}

// ofCrash reports whether it tells of a crash-now; alerts are named BATCH/KIND/N.
func ofCrash(d journal.Delivery) bool { return strings.Contains(d.Alert, "/"+crashNow+"/") }

// forget what waits if a channel has died or is back since the last look.
func (b *Outbox) forget(now time.Time) {
	dead := make([]bool, len(b.order))
	for i, w := range b.order {
		dead[i] = w.kept().dead(now)
	}
	if b.waiting == nil || !slices.Equal(dead, b.dead) {
		b.waiting = map[int64]waits{}
	}
	b.dead = dead
}

// waits says why a delivery is not for its worker yet, "" if it is.
func (b *Outbox) waits(ctx context.Context, w *worker, d journal.Delivery, now time.Time) reason {
	if k, ok := b.waiting[d.ID]; ok && now.Before(k.till) {
		return k.why
	}
	delete(b.waiting, d.ID)
	v, _, err := b.judge(ctx, w, d, now)
	if err != nil || v.wait == "" {
		return "" // the worker judges again, and says what is wrong
	}
	if v.wait != onPast { // which ends without a sign
		b.waiting[d.ID] = waits{v.wait, now.Add(judgeEvery)}
	}
	return v.wait
}

// judge says what to do with a delivery now, and gives its alert.
func (b *Outbox) judge(ctx context.Context, w *worker, d journal.Delivery, now time.Time) (verdict, situation, error) {
	a, err := b.store.Alert(ctx, d.Alert)
	if err != nil {
		return verdict{}, situation{}, err
	}
	if step, ok := b.steps.Load(a.ID); ok {
		a.Recorded = a.Recorded.Add(-step.(time.Duration))
	}
	a = snoozed(a, now)
	s := situation{
		alert: a, n: d.N, now: now, repeat: b.opts.Repeat, rung: w.rung, recent: w.kept().Recent,
		behind: d.N == 1 && lateFound(a) && b.opts.Behind(a),
	}
	at, old := slices.Index(b.order, w), now.Sub(a.Recorded) >= b.opts.Repeat.PastUse
	if at > 0 || old {
		all, err := b.store.Deliveries(ctx, d.Alert)
		if err != nil {
			return verdict{}, situation{}, err
		}
		s.past = old && s.repeat.past(a, all, now)
		for _, o := range b.order[:at] {
			if o.rung.takes(a.Severity) {
				s.before = append(s.before, o.peer(all, now))
			}
		}
	}
	return decide(s), s, nil
}

// peer is how the worker's channel has fared with an alert.
func (w *worker) peer(all []journal.Delivery, now time.Time) peer {
	p := peer{name: w.rung.Name(), dead: w.kept().dead(now)}
	for _, d := range all { // in order, so the last telling decides
		if d.Channel != p.name {
			continue
		}
		p.told = p.told || d.Outcome == accepted
		p.dead = p.dead || d.Outcome == refused || d.Done == nil && d.Attempts >= deadAttempts
	}
	return p
}

// dropUnknown ends a delivery for a channel that the configuration has no more.
func (b *Outbox) dropUnknown(ctx context.Context, d journal.Delivery) {
	b.opts.Logger.Warn("a message is dropped: its channel is not configured", "channel", d.Channel, "alert", d.Alert)
	if err := b.store.MarkDone(ctx, d.ID, b.opts.Now(), dropped, Unconfigured); err != nil {
		b.opts.Logger.Error("a dropped message could not be marked", "alert", d.Alert, "error", err)
	}
}

// setBack moves what waits back with a clock that was set back, so that nothing
// waits longer by the step.
func (b *Outbox) setBack(ctx context.Context, now time.Time) {
	step := b.last.Sub(now)
	b.last = now
	if step < time.Minute {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.waiting = nil
	all, err := b.store.Due(ctx, now.Add(step+retryAfterMost), 0)
	alerts := map[string]bool{}
	for _, d := range all {
		alerts[d.Alert] = true
		if err == nil && d.Due.After(now) && !b.inHand[d.ID] {
			err = b.store.Postpone(ctx, d.ID, d.Due.Add(-step), d.Error)
		}
	}
	for id := range alerts {
		before, _ := b.steps.LoadOrStore(id, time.Duration(0))
		b.steps.Store(id, before.(time.Duration)+step)
	}
	b.opts.Logger.Warn("the clock was set back; what waits was moved with it", "step", step)
	if err != nil {
		b.opts.Logger.Error("not all that waits could be moved", "error", err)
	}
}

// settled takes a delivery out of hand, and looks for what comes next.
func (b *Outbox) settled(id int64, handled bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.inHand, id)
	if handled {
		delete(b.failed, id)
	} else {
		b.failed[id]++
	}
}
