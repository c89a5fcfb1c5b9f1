package alert

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// snapshotVersion is that of the format below; raise it with every change that
// an older binary would misread.
const snapshotVersion = 2

// saved is a Watch as a snapshot holds it. Of the copies of earlier moments
// only the anchors are kept: from them a late input gives the same belief.
type saved struct {
	Version  int
	Batch    string
	Now      time.Time
	Course   savedCourse
	Anchors  []savedCourse
	Recent   []savedCourse // of a parked watch only
	Inputs   savedItems
	Late     *time.Time
	Sensors  []string
	Heard    map[string]*heard
	Book     book
	Fresh    bool
	Said     time.Time
	Packaged *time.Time
	Into     string
	Lost     int
	State    inJSON[savedState]
}

type savedCourse struct {
	At     time.Time
	Belief []byte // nil, and no Part: as at the pitch
	Part   int64  // of a parked watch: where its belief lies
	Trail  inJSON[trail]
}

// inJSON is stored as JSON within gob: gob takes a pointer to a zero, such as a
// temperature of 0 °C, for none.
type inJSON[T any] struct{ V T }

// GobEncode writes the JSON.
func (j inJSON[T]) GobEncode() ([]byte, error) { return json.Marshal(j.V) }

// GobDecode reads it.
func (j *inJSON[T]) GobDecode(data []byte) error { return json.Unmarshal(data, &j.V) }

// savedItems are the inputs by column.
type savedItems struct {
	Steps   []int64 // ns since the one before, the first since 1970
	Names   []string
	Kinds   []string
	Series  []int // of Names and Kinds; -1 a sample, -2 the crash
	Values  []float64
	Again   []int // of Values: those whose device showed what it had shown before
	Refs    []int64
	Samples inJSON[[]projection.Sample]
}

// savedState is State without the brewer's settings.
type savedState struct {
	Now          time.Time
	Estimate     projection.Estimate
	Projection   projection.Projection
	LastReading  time.Time
	Silent       bool
	CrashStarted *time.Time
	Cold         *time.Time
	Open         []Kind
	Next         time.Time
	PH           *float64
	LastSample   time.Time
	ShouldBe     *gravity.Celsius
	IfWarm       *projection.Quantiles
	Subjects     []string
	Temp         *gravity.Celsius
	TempAt       time.Time
	Stands       time.Duration
}

// Snapshot is the whole state of the watch; RestoreWatch goes on from it.
func (w *Watch) Snapshot() ([]byte, error) {
	return w.save(w.past.anchors, nil, func(c course) (savedCourse, error) { return saveCourse(c, w.batch.PitchedAt) })
}

// save writes the watch with these copies of earlier moments.
func (w *Watch) save(anchors, recent []course, one func(course) (savedCourse, error)) ([]byte, error) {
	s := saved{
		Version: snapshotVersion, Batch: w.batch.ID, Now: w.now, Inputs: saveItems(w.ledger.items), Late: w.late,
		Sensors: w.batch.Sensors, Heard: w.heard, Book: w.book, Fresh: w.fresh, Said: w.said, Packaged: w.packaged, Into: w.into, Lost: w.lost,
		State: inJSON[savedState]{savedState{
			w.state.Now, *w.state.Estimate, *w.state.Projection, w.state.LastReading, w.state.Silent,
			w.state.CrashStarted, w.state.Cold, w.state.Open, w.state.Next, w.state.PH, w.state.LastSample,
			w.state.ShouldBe, w.state.IfWarm, w.state.subjects, w.state.Temp, w.state.TempAt, w.state.Stands,
		}},
	}
	var err error
	if s.Course, err = one(w.course); err != nil {
		return nil, err
	}
	for _, part := range []struct {
		from []course
		to   *[]savedCourse
	}{{anchors, &s.Anchors}, {recent, &s.Recent}} {
		for _, a := range part.from {
			c, err := one(a)
			if err != nil {
				return nil, err
			}
			*part.to = append(*part.to, c)
		}
	}
	var out bytes.Buffer
	if err := gob.NewEncoder(&out).Encode(s); err != nil {
		return nil, fmt.Errorf("writing the snapshot of batch %s: %w", w.batch.ID, err)
	}
	return out.Bytes(), nil
}

func saveCourse(c course, pitch time.Time) (savedCourse, error) {
	s := savedCourse{At: c.at, Trail: inJSON[trail]{c.trail}}
	if c.at.Equal(pitch) {
		return s, nil
	}
	var err error
	if s.Belief, err = c.belief.MarshalBinary(); err != nil {
		return s, fmt.Errorf("writing the belief: %w", err)
	}
	return s, nil
}

// RestoreWatch takes a watch up again from a snapshot of the same batch. It
// fails if the snapshot is of another batch, another version or broken.
func RestoreWatch(b projection.Batch, o Options, data []byte) (*Watch, error) {
	return restoreWatch(b, o, data, nil)
}

// restoreWatch does that; what was parked lies on the shelf.
func restoreWatch(b projection.Batch, o Options, data []byte, shelf Shelf) (*Watch, error) {
	var s saved
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return nil, fmt.Errorf("reading the snapshot of batch %s: %w", b.ID, err)
	}
	if s.Version != snapshotVersion || s.Batch != b.ID {
		return nil, fmt.Errorf("reading the snapshot of batch %s: it is of batch %q and version %d; this program writes version %d",
			b.ID, s.Batch, s.Version, snapshotVersion)
	}
	o, err := o.filled()
	if err != nil {
		return nil, fmt.Errorf("settings of the watch: %w", err)
	}
	w := unbegun(b, o)
	if w.past.anchors, err = w.restoreCopies(s.Anchors, shelf); err != nil {
		return nil, err
	}
	if shelf != nil { // a snapshot has none
		if w.past.recent, err = w.restoreCopies(s.Recent, shelf); err != nil {
			return nil, err
		}
	}
	if len(w.past.anchors) == 0 {
		return nil, fmt.Errorf("reading the snapshot of batch %s: it has no beginning", b.ID)
	}
	if w.course, err = w.restoreCourse(s.Course, shelf); err != nil {
		return nil, err
	}
	if w.ledger.items, err = s.Inputs.items(); err != nil {
		return nil, fmt.Errorf("reading the snapshot of batch %s: %w", b.ID, err)
	}
	if err := s.inOrder(b.PitchedAt); err != nil {
		return nil, fmt.Errorf("reading the snapshot of batch %s: %w", b.ID, err)
	}
	w.now, w.late, w.batch.Sensors, w.fresh, w.said, w.packaged, w.lost = s.Now, s.Late, s.Sensors, s.Fresh, s.Said, s.Packaged, s.Lost
	w.heard, w.book = hearing(s.Heard), newBook()
	if s.Heard == nil {
		w.heard = hearing{}
	}
	for k, e := range s.Book.Entries {
		w.book.Entries[k] = e
	}
	for k, n := range s.Book.Counts {
		w.book.Counts[k] = n
	}
	w.into, w.state = s.Into, s.State.V.state(&s)
	w.state.brewers(&w.opts)
	return w, nil
}

// state is the watch's state but for the brewer's settings.
func (l *savedState) state(s *saved) State {
	return State{
		Now: l.Now, Estimate: &l.Estimate, Projection: &l.Projection, LastReading: l.LastReading, Silent: l.Silent,
		CrashStarted: l.CrashStarted, Cold: l.Cold, Packaged: s.Packaged, LastSample: l.LastSample, PH: l.PH,
		Open: l.Open, Lost: s.Lost, Next: l.Next, ShouldBe: l.ShouldBe, Into: s.Into, IfWarm: l.IfWarm, subjects: l.Subjects,
		Temp: l.Temp, TempAt: l.TempAt, Stands: l.Stands,
	}
}

// inOrder refuses times that no watch can have had: they would make it run for
// ever.
func (s *saved) inOrder(pitch time.Time) error {
	last := pitch
	for _, a := range append(s.Anchors, s.Course) {
		if a.At.Before(last) || a.Trail.V.LastInput.After(a.At) || a.Trail.V.LastInput.Before(pitch) {
			return errors.New("its times are out of order")
		}
		last = a.At
	}
	if s.Now.Before(last) || s.Said.After(s.Now) || s.Packaged == nil && s.Now.Sub(last) > 25*time.Hour {
		return errors.New("its clock does not fit its belief")
	}
	return nil
}

// restoreCopies are copies of earlier moments. One that lies on the shelf stays
// there, and one at the pitch needs none: both are taken up when asked for.
func (w *Watch) restoreCopies(all []savedCourse, shelf Shelf) ([]course, error) {
	var copies []course
	for _, s := range all {
		c := course{at: s.At, trail: s.Trail.V}
		switch {
		case s.Part != 0 && shelf != nil:
			c.belief = &shelved{part: s.Part, shelf: shelf}
		case s.Belief != nil:
			whole, err := w.restoreCourse(s, shelf)
			if err != nil {
				return nil, err
			}
			c = whole.aside()
		}
		copies = append(copies, c)
	}
	return copies, nil
}

func (w *Watch) restoreCourse(s savedCourse, shelf Shelf) (course, error) {
	c := course{at: s.At, trail: s.Trail.V}
	var err error
	switch {
	case s.Part != 0 && shelf != nil:
		c.belief = &shelved{part: s.Part, shelf: shelf}
		c, err = w.taken(c)
	case s.Belief == nil:
		c.belief, err = w.opts.believe.begin(w.pitched)
	default:
		c.belief, err = w.opts.believe.restore(w.pitched, s.Belief)
	}
	if err != nil {
		return c, fmt.Errorf("taking up the belief of %s: %w", s.At.Format(time.RFC3339), err)
	}
	return c, nil
}

// saveItems turns the inputs into columns.
func saveItems(items []item) savedItems {
	var s savedItems
	series := map[[2]string]int{}
	var last int64
	for _, in := range items {
		t := in.time.UnixNano()
		s.Steps, last = append(s.Steps, t-last), t
		switch {
		case in.obs != nil:
			key := [2]string{in.obs.Sensor, string(in.obs.Quantity)}
			k, known := series[key]
			if !known {
				k = len(s.Names)
				series[key] = k
				s.Names, s.Kinds = append(s.Names, key[0]), append(s.Kinds, key[1])
			}
			if in.obs.Repeated {
				s.Again = append(s.Again, len(s.Values))
			}
			s.Series, s.Values = append(s.Series, k), append(s.Values, in.obs.Value)
		case in.sample != nil:
			s.Series, s.Refs, s.Samples.V = append(s.Series, -1), append(s.Refs, in.ref), append(s.Samples.V, *in.sample)
		default:
			s.Series, s.Refs = append(s.Series, -2), append(s.Refs, in.ref)
		}
	}
	return s
}

// items turns the columns back into inputs.
func (s *savedItems) items() ([]item, error) {
	broken := errors.New("its inputs are broken")
	if len(s.Steps) != len(s.Series) || len(s.Names) != len(s.Kinds) {
		return nil, broken
	}
	items, readings := make([]item, 0, len(s.Series)), make([]projection.Observation, 0, len(s.Values))
	var last int64
	values, again, refs, samples := s.Values, s.Again, s.Refs, s.Samples.V
	for i, k := range s.Series {
		last += s.Steps[i]
		in := item{time: time.Unix(0, last).UTC()}
		switch {
		case k >= 0 && k < len(s.Names) && len(values) > 0:
			readings = append(readings, projection.Observation{
				Time: in.time, Sensor: s.Names[k], Quantity: projection.Quantity(s.Kinds[k]), Value: values[0],
				Repeated: len(again) > 0 && again[0] == len(s.Values)-len(values),
			})
			if in.obs = &readings[len(readings)-1]; in.obs.Repeated {
				again = again[1:]
			}
			values = values[1:]
		case k == -1 && len(refs) > 0 && len(samples) > 0:
			in.ref, in.sample, refs, samples = refs[0], &samples[0], refs[1:], samples[1:]
		case k == -2 && len(refs) > 0:
			in.ref, refs = refs[0], refs[1:]
		default:
			return nil, broken
		}
		if i > 0 && items[i-1].before(in) > 0 {
			return nil, broken
		}
		items = append(items, in)
	}
	return items, nil
}
