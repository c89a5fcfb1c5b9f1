package page

import (
	"cmp"
	"errors"
	"net/http"
	"strconv"

	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// form is one screen of input about a batch.
type form struct {
	sheet
	Batch  journal.Batch
	Kind   string
	Title  string
	Button string
	// Of is the entry that this one takes the place of; 0: none.
	Of int64
	// Warm and Acid are why packaging now is dangerous; empty if nothing shows it.
	Warm, Acid string
	// Before is what keg and bottles would make of this beer.
	Before []string
	// Cautions belong to what is about to be done.
	Cautions []string
	// Unpacks: it strikes out a packaging.
	Unpacks bool
	// Choices are the sensors that the batch can have.
	Choices []sensorChoice
}

// localTime is how a browser's date and time field writes a moment.
const localTime = "2006-01-02T15:04"

// formKind is one form of a batch: its words, and what it does with good input.
type formKind struct {
	title, button, done string
	enter               func(s *Server, r *http.Request, st *status, in *input) error
}

// formKinds are the forms of a batch by the last part of their path.
var formKinds = map[string]formKind{ //nolint:gochecknoglobals // a constant table
	"sample":  {"Enter a sample", "Keep the sample", "sample", (*Server).enterSample},
	"crash":   {"Crash started", "The crash has started", "crash", (*Server).enterCrash},
	"package": {"Keg or bottle", "It is packaged", "packaged", (*Server).enterPackage},
	"note":    {"Write a note", "Keep the note", "note", (*Server).enterNote},
	"sensors": {"Sensors of this batch", "Use these from now on", "sensors", (*Server).enterSensors},
	"strike":  {"Strike out an entry", "Strike it out", "struck", (*Server).enterStrike},
}

// formOf is the form that is asked for and its batch; false: the request has
// been answered.
func (s *Server) formOf(w http.ResponseWriter, r *http.Request) (kind string, st *status, ok bool) {
	kind = r.PathValue("form")
	if formKinds[kind].title == "" {
		s.missing(w, r, "There is no such page.")
		return kind, nil, false
	}
	st, ok = s.statusOf(w, r)
	return kind, st, ok
}

func (s *Server) getForm(w http.ResponseWriter, r *http.Request) {
	kind, st, ok := s.formOf(w, r)
	if !ok {
		return
	}
	f := form{sheet: sheet{
		Values: map[string]string{"time": s.opts.Now().In(s.loc).Format(localTime)}, Key: secret(12), Units: s.unitsOf(r),
	}}
	if of := r.URL.Query().Get("of"); of != "" {
		e, err := s.entryOf(r.Context(), st.Batch, of)
		if err == nil && kind != "strike" {
			err = correctable(e)
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		f.fill(e, s.loc)
	}
	s.showForm(w, r, http.StatusOK, st, kind, f)
}

func (s *Server) showForm(w http.ResponseWriter, r *http.Request, code int, st *status, kind string, f form) {
	k := formKinds[kind]
	f.Batch, f.Kind, f.Title, f.Button = st.Batch, kind, k.title, k.button
	if f.Of != 0 && kind != "strike" {
		f.Title, f.Button = "Correct an entry", "Keep the correction"
	}
	switch kind {
	case "crash":
		f.Cautions = gravity.Cautions(gravity.Stopping)
	case "package":
		f.Warm, f.Acid, f.Cautions = notCold(st, f.Units), acidWords(st.PH), gravity.Cautions(gravity.Bottling)
		if s.opts.Packaging != nil {
			f.Before = s.opts.Packaging(st.Batch.ID, f.Units)
		}
	case "sensors":
		var err error
		if f.Choices, err = s.sensorChoices(r, st.Batch, f.Values); err != nil {
			s.fail(w, r, err)
			return
		}
	case "strike":
		e, err := s.entryOf(r.Context(), st.Batch, strconv.FormatInt(f.Of, 10))
		if err != nil {
			s.fail(w, r, err)
			return
		}
		f.Values["what"] = told(e, f.Units).Text + ", " + clock(e.Time, s.opts.Now(), s.loc)
		if f.Unpacks = e.Kind == journal.Packaged; f.Unpacks {
			f.Title, f.Button = "It is not packaged", "Watch it on"
		}
	}
	s.show(w, r, code, "form", frame{Title: f.Title, Here: "batches", Body: f})
}

func (s *Server) postForm(w http.ResponseWriter, r *http.Request) {
	kind, st, ok := s.formOf(w, r)
	if !ok {
		return
	}
	in, ok := s.readInput(w, r, st.Batch.Started)
	if !ok {
		return
	}
	f := form{}
	f.Of, _ = strconv.ParseInt(in.text("of"), 10, 64) // 0: no entry, or one that enter refuses
	if in.took {
		f.sheet = in.sheet()
		s.showForm(w, r, http.StatusOK, st, kind, f)
		return
	}
	k := formKinds[kind]
	err := k.enter(s, r, st, in)
	s.settle(w, r, in, err, "/batch/"+escapePath(st.Batch.ID)+"?done="+cmp.Or(in.done, k.done), func() {
		f.sheet = in.sheet()
		s.showForm(w, r, http.StatusUnprocessableEntity, st, kind, f)
	})
}

// settle ends what was sent: a fault of ours is told, what was refused is shown
// again with its sentence beside its field, what was done leads on to a page.
func (s *Server) settle(w http.ResponseWriter, r *http.Request, in *input, err error, to string, again func()) {
	var refused *Refused
	if errors.As(err, &refused) {
		in.fault(refused.Field, "%s", refused.Text)
		err = nil
	}
	switch {
	case err != nil:
		s.fail(w, r, err)
	case !in.good():
		again()
	default:
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}
