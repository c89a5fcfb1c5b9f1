package alert

import (
	"fmt"
	"slices"
	"time"

	"ebbline/projection"
)

// Watch watches one batch from pitch to package. It is told the time: Observe,
// Enter and Tick first do what fell due up to then, each thing at its own time.
// What it says depends on what it was given and when, and on nothing else. The
// times of its events never go back. Not for use by several goroutines at once.
type Watch struct {
	batch   projection.Batch
	pitched projection.Batch // batch with the sensors it began with
	opts    Options

	now      time.Time
	course   course // up to the last look
	past     past
	ledger   ledger
	late     *time.Time // the earliest input that the course has missed
	heard    hearing
	book     book
	fresh    bool      // something arrived since the last estimate
	said     time.Time // of the last estimate; zero: none yet
	packaged *time.Time
	into     string
	lost     int // inputs that lie too far back to be folded in or struck
	state    State
	fault    error // see Fault
}

// never is when the next timer of a batch that is over is due.
func never() time.Time { return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC) }

// NewWatch begins the watch of a batch at its pitch. It fails if the batch or
// the options make no sense.
func NewWatch(b projection.Batch, o Options) (*Watch, error) {
	o, err := o.filled()
	if err != nil {
		return nil, fmt.Errorf("settings of the watch: %w", err)
	}
	w := unbegun(b, o)
	w.past.anchors = []course{w.course}
	if w.course.belief, err = o.believe.begin(b); err != nil {
		return nil, err
	}
	w.state = w.view().state()
	return w, nil
}

// unbegun is a watch at the pitch that believes nothing yet.
func unbegun(b projection.Batch, o Options) *Watch {
	b.PitchedAt = b.PitchedAt.UTC()
	return &Watch{
		batch: b, pitched: b, opts: o, now: b.PitchedAt,
		course: course{at: b.PitchedAt, trail: trail{LastInput: b.PitchedAt, LastSample: b.PitchedAt}},
		heard:  newHearing(b.Sensors, b.PitchedAt),
		book:   newBook(),
	}
}

// begun is the belief at the pitch, as NewWatch or RestoreWatch found that it can
// be begun.
func (w *Watch) begun() belief {
	e, err := w.opts.believe.begin(w.pitched)
	if err != nil {
		panic(fmt.Sprintf("a belief that was begun cannot be begun again: %v", err))
	}
	return e
}

// Idle lets go of memory that is kept for the next look, for when that is far.
func (w *Watch) Idle() { w.course.belief.idle() }

// Now is the watch's clock.
func (w *Watch) Now() time.Time { return w.now }

// Next is when the next timer is due; far off once the beer is packaged.
func (w *Watch) Next() time.Time {
	if w.packaged != nil {
		return never()
	}
	t := w.course.next(w.batch.PitchedAt, &w.ledger)
	if w.late != nil || !t.After(w.now) {
		t = gridAfter(w.batch.PitchedAt, w.now, lookEvery)
	}
	return t
}

// State is what the watch last found.
func (w *Watch) State() State { return w.state }

// Tick does everything that is due up to now, each at its own time, in order.
func (w *Watch) Tick(now time.Time) []Event {
	now = now.UTC()
	var said []Event
	for t := w.Next(); !t.After(now); t = w.Next() {
		w.now = t
		said = append(said, w.look(true)...)
	}
	if now.After(w.now) {
		w.now = now
	}
	return said
}

// Observe takes readings that arrived at now. They count at the next look,
// each at its own time; late ones make the belief run again from before them,
// once however many they are. Readings of sensors that are not the batch's are
// ignored, and so are those from before the pitch: they are no news of this
// beer. Those that lie too far back, one to two weeks, are counted as lost.
func (w *Watch) Observe(now time.Time, obs ...projection.Observation) []Event {
	said := w.Tick(now)
	if w.packaged != nil {
		return said
	}
	for _, o := range obs {
		if !slices.Contains(w.batch.Sensors, o.Sensor) {
			continue
		}
		o.Time = o.Time.UTC()
		w.heard.from(o.Sensor, o.Quantity, w.now)
		if w.insert(item{time: o.Time, obs: &o}) {
			w.fresh = true
		}
	}
	said = append(said, w.heardAgain(obs)...)
	if w.fresh && w.state.Silent {
		w.state = w.view().state() // or it would be called silent until the next look
	}
	return said
}

// insert puts an input where it belongs in time, and marks the course as
// outdated if it has gone past it.
func (w *Watch) insert(in item) bool {
	if in.time.Before(w.past.reach()) {
		if !in.time.Before(w.batch.PitchedAt) {
			w.lost++
		}
		return false
	}
	w.ledger.add(in)
	if in.time.Before(w.course.at) && (w.late == nil || in.time.Before(*w.late)) {
		w.late = &in.time
	}
	return true
}

// Enter takes what a person entered at now, and looks at once unless it lies
// ahead.
func (w *Watch) Enter(now time.Time, in Input) []Event {
	said := w.Tick(now)
	if w.packaged != nil {
		return said
	}
	switch {
	case in.Sample != nil:
		s := *in.Sample
		s.Time = s.Time.UTC()
		if !w.insert(item{time: s.Time, ref: in.Ref, sample: &s}) || s.Time.After(w.now) {
			return said
		}
	case in.CrashStarted != nil:
		t := in.CrashStarted.UTC()
		if t.Before(w.batch.PitchedAt) {
			return said
		}
		if reach := w.past.reach(); t.Before(reach) {
			t = reach // entered very late: still better known than not
		}
		w.insert(item{time: t, ref: in.Ref})
		if t.After(w.now) {
			return said
		}
	case in.Packaged != nil:
		w.into = in.Into
		return append(said, w.end(in.Packaged.UTC())...)
	case in.Sensors != nil:
		w.batch.Sensors = append([]string(nil), in.Sensors...)
		w.heard.only(in.Sensors, w.now)
	case in.Struck != 0:
		w.strike(in.Struck)
	default:
		return said
	}
	w.fresh = true
	return append(said, w.look(false)...)
}

// strike takes back an entry. One from before the oldest checkpoint stays in
// the belief.
func (w *Watch) strike(ref int64) {
	t, found := w.ledger.strike(ref)
	if !found {
		w.lost++
		return
	}
	if t.Before(w.course.at) && (w.late == nil || t.Before(*w.late)) {
		w.late = &t
	}
}

// end closes the batch: a last look, then everything open is over but what that
// look has found: it holds of the packaged beer, and the phone is told only what
// is not over.
func (w *Watch) end(t time.Time) []Event {
	w.packaged = &t
	w.fresh = true
	said := w.look(false)
	return append(said, w.book.closeAll(w.now, "the beer is packaged", said)...)
}

// look brings the belief up to now and says what follows from it; at night, by
// the clock, only what may be told then. Who enters something is awake.
func (w *Watch) look(byClock bool) []Event {
	w.catchUp()
	v := w.view()
	q := w.opts.Quiet
	raised := w.book.apply(w.now, judge(v), byClock && q != nil && q.around(w.now, w.opts.Location).has(w.now))
	w.state = v.state()
	for _, e := range raised {
		if e.Alert != nil {
			e.Alert.Estimate, e.Alert.Projection = w.state.Estimate, w.state.Projection
		}
	}
	return append(w.belief(len(raised) > 0), raised...)
}

// catchUp runs the course to its last look at or before now, from before the
// earliest late input if there is one.
func (w *Watch) catchUp() {
	if w.late != nil {
		c, err := w.taken(w.past.rewind(*w.late))
		if err != nil {
			w.fault = err
		} else {
			w.course = c
		}
		w.late = nil
	}
	for {
		t := w.course.next(w.batch.PitchedAt, &w.ledger)
		if t.After(w.now) {
			break
		}
		w.course.run(t, &w.batch, &w.ledger)
		w.past.keep(w.course, &w.ledger, w.batch.PitchedAt)
	}
}

// view is what the judges see at now. Between two looks it is seen through a
// copy, so that looking does not change what is found later.
func (w *Watch) view() *view {
	c := w.course
	if c.at.Before(w.now) || w.ledger.has(w.now) {
		c = c.copied()
		c.run(w.now.Add(1), &w.batch, &w.ledger)
	}
	v := &view{
		now: w.now, batch: &w.batch, opts: &w.opts, book: w.book, trail: c.trail, packaged: w.packaged, into: w.into,
		estimate: c.belief.Estimate(), projection: c.outlook(), doubts: c.belief.Suspect(),
		heard: w.heard, lost: w.lost, belief: c.belief,
	}
	v.estimate.Time, v.projection.Time = w.now, w.now
	v.measured()
	once(&v.estimate, &v.projection)
	v.next = w.now.Add(lookEvery)
	if n := w.Next(); n.After(v.next) && w.packaged == nil {
		v.next = n
	}
	return v
}

// belief says the estimate and the projection if it is time: something arrived
// and the last is old enough, or there is an alert to go with them.
func (w *Watch) belief(raised bool) []Event {
	since := w.now.Sub(w.said)
	if !w.said.IsZero() && since < lookEvery || !raised && (!w.fresh || !w.said.IsZero() && since < w.opts.Every) {
		return nil
	}
	w.said, w.fresh = w.now, false
	return []Event{{Time: w.now, Estimate: w.state.Estimate}, {Time: w.now, Projection: w.state.Projection}}
}
