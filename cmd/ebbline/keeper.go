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
	"ebbline/ingest/journal"
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

// watched is a watch and how far it has read.
type watched struct {
	watch   *alert.Watch // nil: not in memory, see wake
	sensors []string
	read    int64     // Seq of the last input read
	said    int64     // N of the last event
	retold  time.Time // up to here events stand in the journal already, as another version said them
	again   rerun     // not nil: until all is read again, see settle
	offset  map[alert.Kind]int
	saved   time.Time // the watch's clock at the last snapshot
	unsaid  bool      // it said what is not written: no snapshot may be taken
}

// kept is one running batch. Only the loop of the watches changes it, but for
// what the keeper's lock guards: watch and sensors, and the first lines here.
type kept struct {
	dirty    bool          // there is something to read
	early    bool          // it must not wait for the next look, see arrived
	person   bool          // somebody entered it
	newQuiet **alert.Quiet // quiet hours to take up; nil: none

	watched
	file     config.BatchFile
	lies     *alert.Parked // what of the watch lies on the shelf; nil: nothing
	pressing bool          // until its first turn: an urgent alert is open in the journal
	swapped  []string      // the sensors that an entry has just named; nil: none
	fed      time.Time     // daemon's clock at the last input, or when it was opened
	hasFed   bool
	behind   time.Duration // the least by which the watch's clock has stood behind the daemon's
	closing  time.Time     // daemon's clock when it last came nearer
	streamed bool          // an input was read as it arrived, not long after from the journal
	sentence worded        // the last one
	told     bool          // nothing that holds is untold for being of the past, see tellOverdue
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

	shelf  *shelf
	retry  time.Time // until then the shelf is left alone, see makeRoom
	called chan struct{}

	mu   sync.Mutex
	most int // so many watches stay in memory
	// resting is how long a stop may take to keep their state, see rest.
	resting time.Duration
	kept    map[string]*kept
	users   map[string][]string // the batches that read a sensor; nil: to be listed anew
	// questions are put between two rounds, see suppose.go.
	questions chan question
	between   chan func() // done between two rounds, when no watch is in use
	state     map[string]alert.State
	live      map[string]bool // the watch has caught up with the present
	past      map[string]bool // false once the watch has read what the journal holds; see behind
	faults    map[string]error
	lost      map[string]error // batches that rest on what the disk has changed, and why
	mended    map[string]bool  // lost ones for which something was entered since, see retake
}

// errUnsaid: a watch may not go on when what it said is not written.
var errUnsaid = errors.New("what it said could not be written down, and it could not be taken up again")

// step reads what is new for one batch, lets its clock go on, and writes down
// what the watch said.
func (k *keeper) step(ctx context.Context, id string, r *kept) error {
	if r.unsaid {
		return errUnsaid
	}
	if err := k.wake(ctx, id, r); err != nil {
		return err
	}
	k.mu.Lock()
	r.dirty, r.early, r.person, r.pressing = false, false, false, false
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
		if err := undo(ctx, k.journal, id, inputs); err != nil {
			return err
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
	if r.watch.State().Packaged != nil { // killed before it was ended
		return k.close(ctx, id, r)
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
	if err == nil && !waits {
		err = k.tellOverdue(ctx, id, r)
	}
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
	at := r.watch.Now()
	if p := r.watch.State().Packaged; p != nil {
		at = *p // as it was entered, which may be later
	}
	if err := k.journal.EndBatch(ctx, id, at); err != nil {
		return fmt.Errorf("ending the batch: %w", err)
	}
	k.ended(id)
	return nil
}

// say writes down what a watch said and, now and then, the sentence and its whole
// state with what it had read by then; all in one transaction.
func (k *keeper) say(ctx context.Context, id string, r *kept, events []alert.Event, force bool) error {
	if err := r.watch.Fault(); err != nil {
		return err
	}
	if len(events) == 0 && !force {
		return nil
	}
	r.unsaid = r.unsaid || len(events) > 0
	if ctx.Err() != nil { // being stopped: what was said meanwhile is still written
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), k.resting)
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

// newKeeper watches nothing yet. Watches that are put aside lie in dir.
func newKeeper(j *journal.Journal, clock Clock, dir string, channels []string, log *slog.Logger) *keeper {
	return &keeper{
		journal: j, clock: clock, channels: channels, log: log, options: alert.Options{Location: time.Local},
		told: func() {}, heard: func(string, []alert.Event) {}, moved: func() {}, news: func(string) {}, aside: func(string) string { return "" },
		live: map[string]bool{}, past: map[string]bool{},
		kept: map[string]*kept{}, called: make(chan struct{}, 1), questions: make(chan question), between: make(chan func()), state: map[string]alert.State{},
		shelf: newShelf(dir), most: mostAwake, resting: restingTime, faults: map[string]error{}, lost: map[string]error{}, mended: map[string]bool{},
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
