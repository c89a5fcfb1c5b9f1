package page

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// form is one screen of input: what was typed is kept, errors stand beside
// their field, and Key makes sending it twice harmless.
type form struct {
	Batch  journal.Batch
	Kind   string // "sample", "crash", "package", "note"
	Key    string
	Values map[string]string
	Errors map[string]string
	Now    string // what the time field shows when it is fresh
	PH     string // caution before packaging
	Warm   string // why packaging now is dangerous; empty if it is not
	// Cautions belong to what is about to be done.
	Cautions []string
}

// localTime is how a browser's date and time field writes a moment.
const localTime = "2006-01-02T15:04"

// formKinds are the forms of a batch and their titles.
var formKinds = map[string]string{ //nolint:gochecknoglobals // a constant table
	"sample": "Enter a sample", "crash": "Crash started", "package": "Keg or bottle", "note": "Write a note",
}

// formOf is the form that is asked for and its batch; false: the request has
// been answered.
func (s *Server) formOf(w http.ResponseWriter, r *http.Request) (kind string, st *status, ok bool) {
	kind = r.PathValue("form")
	if formKinds[kind] == "" {
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
	f := form{Values: map[string]string{"time": s.opts.Now().In(s.loc).Format(localTime)}, Key: secret(12)}
	s.showForm(w, r, http.StatusOK, st, kind, f)
}

func (s *Server) showForm(w http.ResponseWriter, r *http.Request, status int, st *status, kind string, f form) {
	f.Batch, f.Kind = st.Batch, kind
	switch kind {
	case "crash":
		f.Cautions = gravity.Cautions(gravity.Stopping)
	case "package":
		f.PH, f.Warm, f.Cautions = phWords(st.PH), notCold(st), gravity.Cautions(gravity.Bottling)
	}
	s.show(w, r, status, "form", frame{Title: formKinds[kind], Here: "batches", Body: f})
}

func (s *Server) postForm(w http.ResponseWriter, r *http.Request) {
	kind, st, ok := s.formOf(w, r)
	if !ok {
		return
	}
	if err := r.ParseForm(); err != nil {
		s.trouble(w, r, http.StatusBadRequest, "Not understood", "The form arrived broken. Go back and send it again.")
		return
	}
	in := &input{form: r.PostForm, errors: map[string]string{}, loc: s.loc, now: s.opts.Now(), pitched: st.Batch.Started}
	err := s.enter(r, st, kind, in)
	var refused *Refused
	if errors.As(err, &refused) {
		in.errors[refused.Field] = refused.Text
		err = nil
	}
	switch {
	case err != nil:
		s.fail(w, r, err)
	case len(in.errors) > 0:
		s.showForm(w, r, http.StatusUnprocessableEntity, st, kind,
			form{Values: in.typed(), Errors: in.errors, Key: in.text("key")})
	default:
		done := kind
		if kind == "package" {
			done = "packaged"
		}
		http.Redirect(w, r, "/batch/"+escapePath(st.Batch.ID)+"?done="+done, http.StatusSeeOther)
	}
}

// enter reads one kind of form and does what it says if all of it is good.
func (s *Server) enter(r *http.Request, st *status, kind string, in *input) error {
	at, key, id, ctx := in.time("time"), in.text("key"), st.Batch.ID, r.Context()
	switch kind {
	case "sample":
		m := Sample{Time: at, Key: key, Gravity: in.gravity("gravity"), Temperature: in.within("temperature", -10, 110, "°C"), PH: in.within("ph", 2, 8, "pH")}
		if m.Gravity == nil && m.PH == nil && len(in.errors) == 0 {
			in.errors["gravity"] = "Enter a gravity, a pH, or both."
		}
		if len(in.errors) > 0 {
			return nil
		}
		return s.opts.Actions.AddSample(ctx, id, m)
	case "crash":
		if len(in.errors) > 0 {
			return nil
		}
		return s.opts.Actions.CrashStarted(ctx, id, at, key)
	case "package":
		into := in.text("into")
		if into != "keg" && into != "bottle" {
			in.errors["into"] = "Choose keg or bottles."
		}
		if notCold(st) != "" && in.text("warm") != "yes" {
			in.errors["warm"] = "Tick this if it is to be packaged all the same. Nothing was entered yet."
		}
		if len(in.errors) > 0 {
			return nil
		}
		return s.opts.Actions.Packaged(ctx, id, Package{Time: at, Into: into, Key: key})
	}
	text := in.text("text")
	if text == "" {
		in.errors["text"] = "Write something first."
	}
	if len(text) > 4000 {
		in.errors["text"] = "That is too long: 4,000 bytes at most."
	}
	if len(in.errors) > 0 {
		return nil
	}
	return s.opts.Actions.Note(ctx, id, Note{Time: at, Text: text, Key: key})
}

// input reads a form's fields and collects what is wrong with them.
type input struct {
	form    map[string][]string
	errors  map[string]string
	loc     *time.Location
	now     time.Time
	pitched time.Time
}

func (in *input) text(name string) string {
	if v := in.form[name]; len(v) > 0 {
		return strings.TrimSpace(v[0])
	}
	return ""
}

// typed is what was typed, to show it again.
func (in *input) typed() map[string]string {
	out := map[string]string{}
	for k, v := range in.form {
		if len(v) > 0 {
			out[k] = v[0]
		}
	}
	return out
}

// time reads a moment; an empty field means now. A phone's clock may be a
// little ahead of ours, so five minutes are let pass.
func (in *input) time(name string) time.Time {
	text := in.text(name)
	if text == "" {
		return in.now
	}
	t, err := time.ParseInLocation(localTime, text, in.loc)
	if err != nil {
		t, err = time.ParseInLocation(localTime+":05", text, in.loc)
	}
	switch {
	case err != nil:
		in.errors[name] = "Not a time. Write it like " + in.now.In(in.loc).Format(localTime) + "."
	case t.After(in.now.Add(5 * time.Minute)):
		in.errors[name] = "That is in the future. Enter when it happened."
	case t.Before(in.pitched.Truncate(time.Minute)):
		in.errors[name] = "That is before the batch was pitched (" + clock(in.pitched, in.now, in.loc) + ")."
	case t.After(in.now):
		return in.now
	// The field knows no seconds: the minute of the pitch, or this very
	// minute, means the pitch, or now.
	case t.Before(in.pitched):
		return in.pitched
	case in.now.Sub(t) < time.Minute:
		return in.now
	}
	return t
}

// gravity reads an SG; nil if the field is empty or wrong.
func (in *input) gravity(name string) *float64 {
	text := in.text(name)
	if text == "" {
		return nil
	}
	v, err := number(text)
	switch {
	case err != nil:
		in.errors[name] = "Not a number. Write an SG such as 1.0115 or 1,0115."
	case v >= 980 && v <= 1200:
		in.errors[name] = fmt.Sprintf("Did you mean %s? Write the SG with its point or comma.", trim(v/1000))
	case v < 0.980 || v > 1.200:
		in.errors[name] = "Not the gravity of a beer. An SG lies between 0.980 and 1.200."
	default:
		return &v
	}
	return nil
}

// within reads a number with bounds; nil if the field is empty or wrong.
func (in *input) within(name string, lo, hi float64, unit string) *float64 {
	text := in.text(name)
	if text == "" {
		return nil
	}
	v, err := number(text)
	switch {
	case err != nil:
		in.errors[name] = "Not a number. A decimal comma or point is fine."
	case v < lo || v > hi:
		in.errors[name] = fmt.Sprintf("Out of range: it lies from %s to %s %s.", minus(trim(lo)), trim(hi), unit)
		if unit == "pH" {
			in.errors[name] = fmt.Sprintf("Out of range: a pH from %s to %s is taken, beer lies near 4.", trim(lo), trim(hi))
			if v/10 >= lo && v/10 <= hi {
				in.errors[name] += " Did you mean " + trim(v/10) + "?"
			}
		}
	default:
		return &v
	}
	return nil
}
