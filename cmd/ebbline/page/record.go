package page

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"time"

	"ebbline/ingest/journal"
)

// recordPage lists what was entered for a batch, so that a mistake can be
// corrected or struck out. Nothing is ever deleted.
type recordPage struct {
	Batch journal.Batch
	Lines []recordLine
}

type recordLine struct {
	happening
	Seq     int64
	Entered *time.Time // if it was written down later than it happened
	Correct string     // the form that corrects it; "": none does
	Strike  bool
}

func (s *Server) getRecord(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	entries, err := s.recorded(r.Context(), st.Batch)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, u := recordPage{Batch: st.Batch}, s.unitsOf(r)
	gone := struck(entries)
	for _, e := range slices.Backward(entries) {
		if e.Kind == journal.StruckEntry {
			continue
		}
		l := recordLine{happening: told(e, u), Seq: e.Seq}
		l.Struck = gone[e.Seq]
		if e.Entered.Sub(e.Time) > 10*time.Minute {
			l.Entered = &e.Entered
		}
		if st.Batch.Ended == nil || e.Kind == journal.NoteEntry || e.Kind == journal.Packaged {
			l.Strike = !l.Struck && strikable(e)
		}
		if l.Strike {
			l.Correct = map[journal.EntryKind]string{journal.SampleEntry: "sample", journal.CrashStarted: "crash", journal.NoteEntry: "note"}[e.Kind]
		}
		p.Lines = append(p.Lines, l)
	}
	s.show(w, r, http.StatusOK, "record", frame{Title: "Record of " + st.Batch.Name, Here: "batches", Body: p})
}

// strikable are the entries that can be taken back: the others have done
// something that cannot. A packaging that the disk has changed is not read, so nobody
// knows that it is one.
func strikable(e journal.Entry) bool {
	switch e.Kind {
	case journal.SampleEntry, journal.CrashStarted, journal.NoteEntry:
		return true
	}
	return e.Kind == journal.Packaged && string(e.Body) != changedBody
}

// entryOf is the entry of a batch that a number names, if it can be struck out.
func (s *Server) entryOf(ctx context.Context, batch journal.Batch, number string) (journal.Entry, error) {
	seq, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return journal.Entry{}, journal.ErrNotFound
	}
	all, err := s.recorded(ctx, batch)
	if err != nil {
		return journal.Entry{}, err
	}
	i := slices.IndexFunc(all, func(e journal.Entry) bool { return e.Seq == seq })
	if i < 0 {
		return journal.Entry{}, journal.ErrNotFound
	}
	return all[i], notStrikable(all[i])
}

// notStrikable says why an entry stands for good; nil if it does not.
func notStrikable(e journal.Entry) error {
	why := "This entry cannot be struck out: only samples, the start of the crash, a packaging and notes can."
	switch {
	case strikable(e):
		return nil
	case e.Kind == journal.SensorChanged:
		why = "A change of sensors cannot be struck out. Choose the batch’s sensors anew: what they give counts from then on."
	}
	return &Refused{Field: "seq", Text: why}
}

// fill puts an entry into the form that corrects it.
func (f *form) fill(e journal.Entry, loc *time.Location) {
	f.Of = e.Seq
	f.Values["time"] = e.Time.In(loc).Format(localTime)
	var b struct {
		Sample
		Text string `json:"text"`
	}
	if json.Unmarshal(e.Body, &b) != nil {
		return // an entry that cannot be read is corrected by writing it anew
	}
	for name, v := range map[string]*float64{"ph": b.PH, "brix": b.Brix} {
		if v != nil {
			f.Values[name] = trim(*v)
		}
	}
	if b.Gravity != nil {
		f.Values["gravity"] = f.Units.typedGravity(*b.Gravity)
	}
	if b.Temperature != nil {
		f.Values["temperature"] = f.Units.typedTemperature(*b.Temperature)
	}
	f.Values["text"] = b.Text
}

// inPlaceOf enters something and, if it is a correction, strikes out the entry
// in whose place it comes. Sent again, both change nothing.
func (s *Server) inPlaceOf(r *http.Request, st *status, in *input, enter func() error) error {
	of := in.text("of")
	if of == "" || of == "0" {
		return enter()
	}
	e, err := s.entryOf(r.Context(), st.Batch, of)
	if err == nil {
		err = correctable(e)
	}
	if err != nil {
		return err
	}
	if err := enter(); err != nil {
		return err
	}
	return s.opts.Actions.Strike(r.Context(), st.Batch.ID, Strike{Seq: e.Seq, Time: in.now, Key: keyed(in.text("key"), "strike")})
}

// correctable refuses to put something else in the place of a packaging.
func correctable(e journal.Entry) error {
	if e.Kind == journal.Packaged {
		return &Refused{Text: "A packaging is not corrected by another entry: strike it out, and enter it anew when the beer is packaged."}
	}
	return nil
}

func (s *Server) enterStrike(r *http.Request, st *status, in *input) error {
	e, err := s.entryOf(r.Context(), st.Batch, in.text("of"))
	if err != nil {
		return err
	}
	if e.Kind == journal.Packaged {
		in.done = "unpacked"
	}
	return s.opts.Actions.Strike(r.Context(), st.Batch.ID, Strike{Seq: e.Seq, Time: in.now, Key: in.text("key")})
}
