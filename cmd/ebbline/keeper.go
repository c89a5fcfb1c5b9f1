package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// Clock tells the daemon's time: the wall clock, or a fast one in demo.
type Clock interface{ Now() time.Time }

const (
	// settle is how far the watches' clocks stay behind the daemon's, so that a
	// reading on its way is not late.
	settle = 2 * time.Second
	// historic is the age at arrival from which a reading speaks of the past: it
	// moves its batch's clock to its own time, not to its arrival.
	historic = 10 * time.Minute
	// idle is how long a stream from the past may pause before its batch's clock
	// goes on to the present.
	idle = time.Minute
	// firstIdle is the same for a batch pitched in the past that has had no
	// reading yet: a record may be about to be published.
	firstIdle = 2 * time.Minute
	// inputChunk bounds what is read from the journal, and committed, at once.
	inputChunk = 2000
	// snapshotEvery bounds what is run again after a kill, on the batch's clock. A
	// snapshot takes 0.4 MB, twice: hourly ones of four batches would wear a memory
	// card by 80 MB a day. Running 18 h again takes a third of a second, and what
	// was raised in them stands in the journal.
	snapshotEvery = 18 * time.Hour
)

// kept is one running batch with its watch and how far it has read.
type kept struct {
	file     config.BatchFile
	watch    *alert.Watch
	sensors  []string      // guarded by the keeper's lock
	swapped  []string      // those that an entry has just named; nil: none
	newQuiet **alert.Quiet // quiet hours to take up, guarded likewise; nil: none
	read     int64         // Seq of the last input read
	said     int64         // N of the last event
	retold   time.Time     // up to here events stand in the journal already, as another version said them
	again    rerun         // not nil: until all is read again, see settle
	offset   map[alert.Kind]int
	saved    time.Time // the watch's clock at the last snapshot
	fed      time.Time // daemon's clock at the last input, or when it was opened
	hasFed   bool
	behind   time.Duration // the least by which the watch's clock has stood behind the daemon's
	closing  time.Time     // daemon's clock when it last came nearer
	unsaid   bool          // it said what is not written: no snapshot may be taken
	streamed bool          // an input was read as it arrived, not long after from the journal
	dirty    bool
	sentence worded // the last one
	// estimate and projection are the last ones said.
	estimate   *projection.Estimate
	projection *projection.Projection
}

// keeper drives the watches of all running batches from the journal's order of
// inputs, and writes down what they say.
type keeper struct {
	journal  *journal.Journal
	clock    Clock
	options  alert.Options
	channels []string
	told     func()                              // deliveries were queued
	heard    func(batch string, e []alert.Event) // after they are in the journal
	moved    func()                              // a step of a round is done, however long the round takes
	news     func(batch string)                  // what is believed or said of it may have changed
	aside    func(batch string) string           // what else is to be said of it, "" or a sentence
	log      *slog.Logger

	mu   sync.Mutex
	kept map[string]*kept
	wake chan struct{}
	// questions are put between two rounds, see suppose.go.
	questions chan question
	between   chan func() // done between two rounds, when no watch is in use
	state     map[string]alert.State
	live      map[string]bool // the watch has caught up with the present
	past      map[string]bool // false once the watch has read what the journal holds; see behind
	fault     error           // of the last round, nil when all is well
}

// open starts or restores the watch of a batch that the journal holds.
func (k *keeper) open(ctx context.Context, b journal.Batch) error {
	file, err := config.DecodeSpec(b.Spec)
	if err != nil {
		return fmt.Errorf("reading the description of batch %s: %w", b.ID, err)
	}
	r := &kept{file: file, sensors: b.Sensors, fed: k.clock.Now(), dirty: true}
	snapshot, seq, lastN, err := k.journal.WatchState(ctx, b.ID)
	if err != nil {
		return fmt.Errorf("reading the watch of batch %s: %w", b.ID, err)
	}
	o := watchOptions(file, k.settings())
	err = r.restore(snapshot, seq, o)
	if err != nil && len(snapshot) > 0 {
		// Of an older version, or damaged: the journal has all that the watch read.
		// What was said stays as it was said; the numbers go on from there, because
		// another version may say more or less of the same past.
		k.log.Warn("the stored watch cannot be taken up; its readings are run again from pitch", "batch", b.ID, "error", err)
		if err = r.restore(nil, 0, o); err == nil {
			r.said, r.again = lastN, rerun{}
			r.retold, err = k.lastSaid(ctx, b.ID)
		}
	}
	if err != nil {
		return fmt.Errorf("starting the watch of batch %s: %w", b.ID, err)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.kept[b.ID], k.state[b.ID] = r, r.watch.State()
	k.poke()
	return nil
}

// lastSaid is the time of the last event of a batch, zero if there is none.
func (k *keeper) lastSaid(ctx context.Context, batch string) (time.Time, error) {
	last, err := k.journal.Events(ctx, batch, nil, time.Time{}, time.Time{}, 1, true)
	if err != nil || len(last) == 0 {
		return time.Time{}, err
	}
	return last[0].Time, nil
}

// restore takes the watch from its snapshot, or begins it at pitch.
func (r *kept) restore(snapshot []byte, seq int64, o alert.Options) error {
	if len(snapshot) == 0 {
		var err error
		r.sensors = r.file.Batch.Sensors // from pitch on; entries have changed them since
		r.watch, err = newWatch(r.file, o)
		r.saved = r.file.Batch.PitchedAt // there is nothing yet to keep
		return err
	}
	s, err := readSnapshot(snapshot)
	if err != nil {
		return err
	}
	if s.Sensors != nil {
		r.sensors = s.Sensors
	}
	w, err := alert.RestoreWatch(r.file.Batch, o, s.Watch)
	if err != nil {
		return err
	}
	r.watch, r.read, r.said, r.saved, r.offset = w, seq, s.Said, w.Now(), s.Offset
	st := w.State()
	r.estimate, r.projection = st.Estimate, st.Projection
	return nil
}

// arrived marks the batches of these sensors as having something to read.
func (k *keeper) arrived(readings []ingest.Reading) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, r := range k.kept {
		if r.dirty {
			continue
		}
		for _, g := range readings {
			if r.has(g.Sensor) {
				r.dirty = true
				break
			}
		}
	}
	k.poke()
}

func (r *kept) has(sensor string) bool {
	for _, s := range r.sensors {
		if s == sensor {
			return true
		}
	}
	return false
}

// entered marks a batch for which a person entered something.
func (k *keeper) entered(batch string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if r := k.kept[batch]; r != nil {
		r.dirty = true
	}
	k.poke()
}

func (k *keeper) poke() {
	select {
	case k.wake <- struct{}{}:
	default:
	}
}

// run steps every watch that has something to read or a timer that is due,
// until ctx ends. beat is called each round: the daemon is making progress.
func (k *keeper) run(ctx context.Context, every time.Duration, beat func()) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		k.round(ctx)
		beat()
		select {
		case <-ctx.Done():
			return
		case <-k.wake:
		case q := <-k.questions:
			k.answer(q)
		case do := <-k.between:
			do()
		case <-tick.C:
		}
	}
}

// round gives every watch its turn once.
func (k *keeper) round(ctx context.Context) {
	var faults []error
	for id, r := range k.turns() {
		if err := k.step(ctx, id, r); err != nil && ctx.Err() == nil {
			faults = append(faults, fmt.Errorf("batch %s: %w", id, err))
			k.log.Error("a watch could not go on; it is tried again", "batch", id, "error", err)
			k.recover(ctx, id)
		}
	}
	k.mu.Lock()
	k.fault = errors.Join(faults...)
	k.mu.Unlock()
}

// turns lists the watches with something to do.
func (k *keeper) turns() map[string]*kept {
	now := k.clock.Now()
	k.mu.Lock()
	defer k.mu.Unlock()
	due := map[string]*kept{}
	for id, r := range k.kept {
		if r.dirty || !r.watch.Next().After(r.present(now)) {
			due[id] = r
		}
		r.dirty = false
	}
	return due
}

// present is the moment to which the clock of the watch may go by itself: the
// daemon's, but not while readings from the past are coming in.
func (r *kept) present(now time.Time) time.Time {
	if r.waits(now) {
		return r.watch.Now()
	}
	return now.Add(-settle)
}

// waits reports whether the watch's clock stands in the past because readings
// from there are coming in, or may be about to.
func (r *kept) waits(now time.Time) bool {
	pause := idle
	if !r.hasFed {
		pause = firstIdle
	}
	if r.hasFed && now.Sub(r.closing) > firstIdle {
		return false // no record being played: a device whose clock is slow
	}
	return now.Sub(r.watch.Now()) > historic && now.Sub(r.fed) < pause
}

// fedAt notes that inputs were read that arrived then, and whether the watch's clock came nearer to
// the daemon's by them.
func (r *kept) fedAt(now, arrived time.Time) {
	r.streamed = r.streamed || now.Sub(arrived) < idle
	behind := now.Sub(r.watch.Now())
	if !r.hasFed || behind < r.behind-time.Minute {
		r.behind, r.closing = behind, now
	}
	r.fed, r.hasFed = now, true
}

// recover throws away a watch whose words could not be written down and takes
// it up again from the journal: what was not written was not said.
func (k *keeper) recover(ctx context.Context, id string) {
	b, err := k.journal.Batch(ctx, id)
	if err == nil && b.Ended == nil {
		err = k.open(ctx, b)
	}
	if err != nil {
		k.log.Error("a watch could not be taken up again", "batch", id, "error", err)
		k.mu.Lock()
		if r := k.kept[id]; r != nil {
			r.dirty = true // the next round tries again
		}
		k.mu.Unlock()
	}
}

// errUnsaid: a watch may not go on when what it said is not written.
var errUnsaid = errors.New("what it said could not be written down, and it could not be taken up again")

// step reads what is new for one batch, lets its clock go on, and writes down
// what the watch said.
func (k *keeper) step(ctx context.Context, id string, r *kept) error {
	if r.unsaid {
		return errUnsaid
	}
	k.mu.Lock()
	k.past[id] = !r.streamed
	k.mu.Unlock()
	if err := k.takeQuiet(ctx, id, r); err != nil {
		return err
	}
	for {
		readings, entries, err := k.journal.Inputs(ctx, id, r.sensors, r.read, r.file.Batch.PitchedAt, inputChunk)
		if err != nil {
			return fmt.Errorf("reading what is new: %w", err)
		}
		inputs := untilSwap(merge(readings, entries, inputChunk))
		if len(inputs) == 0 {
			break
		}
		n, events, ended, err := r.feed(ctx, inputs, k.moved)
		if err != nil {
			r.unsaid = true
			return err
		}
		k.takeSensors(r)
		if n > 0 {
			r.read = inputs[n-1].seq
			r.fedAt(k.clock.Now(), inputs[n-1].arrived())
		}
		if err := k.say(ctx, id, r, events, ended); err != nil {
			return err
		}
		if ended {
			return k.close(ctx, id, r)
		}
	}
	if err := k.say(ctx, id, r, r.goOn(ctx, k.clock.Now(), k.moved), r.again != nil); err != nil {
		return err
	}
	r.watch.Idle()
	k.mu.Lock()
	waits := r.waits(k.clock.Now())
	k.state[id], k.live[id] = r.watch.State(), !waits
	k.mu.Unlock()
	err := k.reword(ctx, id, r, false)
	k.mu.Lock()
	k.past[id] = waits && !r.streamed
	k.mu.Unlock()
	return err
}

// behind reports whether the watch of a batch has yet to read what the journal
// holds, or stands in the past for no stream that is coming in: what it says
// then may be over already. A record that is being played speaks as it goes.
func (k *keeper) behind(batch string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	past, stepped := k.past[batch]
	return k.kept[batch] != nil && (past || !stepped)
}

// goOn lets the watch's clock go to the present, after long silence day by day, until ctx ends.
func (r *kept) goOn(ctx context.Context, now time.Time, moved func()) []alert.Event {
	var events []alert.Event
	until := r.present(now)
	for day := r.watch.Now().Add(24 * time.Hour); day.Before(until); day = day.Add(24 * time.Hour) {
		if ctx.Err() != nil {
			return events
		}
		events = append(events, r.watch.Tick(day)...)
		moved()
	}
	return append(events, r.watch.Tick(until)...)
}

// close ends a packaged batch: its sensors are free from here on.
func (k *keeper) close(ctx context.Context, id string, r *kept) error {
	if err := k.reword(ctx, id, r, true); err != nil {
		return err
	}
	if err := k.journal.EndBatch(ctx, id, r.watch.Now()); err != nil {
		return fmt.Errorf("ending the batch: %w", err)
	}
	k.mu.Lock()
	delete(k.kept, id)
	delete(k.state, id)
	delete(k.live, id)
	delete(k.past, id)
	k.mu.Unlock()
	k.news(id)
	return nil
}

// say writes down what a watch said and, now and then, the sentence and its whole
// state with what it had read by then; all in one transaction.
func (k *keeper) say(ctx context.Context, id string, r *kept, events []alert.Event, force bool) error {
	if len(events) == 0 && !force {
		return nil
	}
	r.unsaid = r.unsaid || len(events) > 0
	if ctx.Err() != nil { // being stopped: what was said meanwhile is still written
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), restingTime)
		defer cancel()
	}
	words, err := k.words(id, r, events)
	if err != nil {
		return err
	}
	if force && r.again != nil {
		if err := k.settle(ctx, id, r, &words); err != nil {
			return err
		}
	}
	var snapshot []byte
	if age := r.watch.Now().Sub(r.saved); force || r.again == nil && age >= snapshotEvery {
		if snapshot, err = r.snapshot(); err != nil {
			return err
		}
	}
	sentence, err := k.sentence(id, r)
	if err != nil {
		return err
	}
	var settings []journal.Setting
	if force || len(words.alerts)+len(words.resolved) > 0 || sentence.at.Sub(r.sentence.writtenAt) >= sentenceWritten {
		settings = []journal.Setting{sentence.Setting}
	}
	err = k.journal.Say(ctx, id, r.read, snapshot, words.events, words.alerts, words.resolved, k.clock.Now(), words.deliveries, settings...)
	if err != nil {
		return fmt.Errorf("writing down what was said: %w", err)
	}
	r.unsaid = false
	k.worded(id, r, sentence, len(settings) > 0)
	if snapshot != nil {
		r.saved = r.watch.Now()
	}
	if len(words.deliveries) > 0 {
		k.told()
	}
	k.mu.Lock()
	k.state[id] = r.watch.State()
	k.mu.Unlock()
	k.heard(id, events)
	return nil
}

// newKeeper watches nothing yet.
func newKeeper(j *journal.Journal, clock Clock, channels []string, log *slog.Logger) *keeper {
	return &keeper{
		journal: j, clock: clock, channels: channels, log: log, options: alert.Options{Location: time.Local},
		told: func() {}, heard: func(string, []alert.Event) {}, moved: func() {}, news: func(string) {}, aside: func(string) string { return "" },
		live: map[string]bool{}, past: map[string]bool{},
		kept: map[string]*kept{}, wake: make(chan struct{}, 1), questions: make(chan question), between: make(chan func()), state: map[string]alert.State{},
	}
}

// brewerOptions are how the brewer reads times and numbers, and when they sleep.
func brewerOptions(cfg *config.Config) alert.Options {
	return alert.Options{
		Location: cfg.Location(), Quiet: quietHours(cfg.Quiet), Plato: cfg.Units.Plato, Fahrenheit: cfg.Units.Fahrenheit,
	}
}

func quietHours(q *config.Quiet) *alert.Quiet {
	if q == nil {
		return nil
	}
	return &alert.Quiet{From: alert.Clock(q.From), To: alert.Clock(q.To)}
}
