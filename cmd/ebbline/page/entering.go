package page

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// What each form of a batch does with what was typed. Nothing is entered unless
// all of it is good.

func (s *Server) enterSample(r *http.Request, st *status, in *input) error {
	m := Sample{
		Time: in.time("time"), Key: in.text("key"), Gravity: in.gravity("gravity"), Temperature: in.celsius("temperature", -10, 110),
		Brix: in.within("brix", 0, 45, "°Bx", "3.4 or 3,4"), PH: in.ph("ph"),
	}
	if m.Gravity == nil && m.Brix == nil && m.PH == nil && in.good() {
		in.fault("gravity", "Enter a gravity, a refractometer’s °Bx, a pH, or more of them.")
	}
	if m.Gravity == nil && m.Temperature != nil && in.good() {
		in.fault("temperature", "This is the temperature at which the gravity was read: enter the gravity too, or leave it empty.")
	}
	if in.good() && in.text("sure") != m.values() {
		if in.odd = oddWords(st, m, in.units); len(in.odd) > 0 {
			in.form.Set("sure", m.values()) // what the tick says yes to
			in.fault("sure", "Nothing was entered yet: correct it, or tick this.")
		}
	}
	if !in.good() {
		return nil
	}
	return s.inPlaceOf(r, st, in, func() error { return s.opts.Actions.AddSample(r.Context(), st.Batch.ID, m) })
}

func (s *Server) enterCrash(r *http.Request, st *status, in *input) error {
	at := in.time("time")
	if !in.good() {
		return nil
	}
	if err := s.notCrashed(r.Context(), st.Batch, in.text("key"), in.text("of")); err != nil {
		return err
	}
	return s.inPlaceOf(r, st, in, func() error {
		return s.opts.Actions.CrashStarted(r.Context(), st.Batch.ID, at, in.text("key"))
	})
}

// notCrashed refuses a crash beside another one that stands: the earlier would
// count, and nobody would be told. The same key is the same entry, and of is the
// one that is corrected.
func (s *Server) notCrashed(ctx context.Context, b journal.Batch, key, of string) error {
	all, err := s.entries(ctx, b)
	if err != nil {
		return err
	}
	gone := struck(all)
	for _, e := range all {
		same := gone[e.Seq] || key != "" && e.Key == key || of == strconv.FormatInt(e.Seq, 10)
		if e.Kind == journal.CrashStarted && !same {
			return &Refused{Field: "time", Text: fmt.Sprintf("The crash is entered already, as started %s. Correct that entry, or strike it out, under What happened.", clock(e.Time, s.opts.Now(), s.loc))}
		}
	}
	return nil
}

func (s *Server) enterNote(r *http.Request, st *status, in *input) error {
	n := Note{Time: in.time("time"), Text: in.text("text"), Key: in.text("key")}
	in.need("text", "Write something first.")
	if len(n.Text) > 4000 {
		in.fault("text", "That is too long: 4,000 bytes at most.")
	}
	if !in.good() {
		return nil
	}
	return s.inPlaceOf(r, st, in, func() error { return s.opts.Actions.Note(r.Context(), st.Batch.ID, n) })
}

// enterPackage ends a batch. Beer that is warm or not sour enough is packaged
// only by whoever says so.
func (s *Server) enterPackage(r *http.Request, st *status, in *input) error {
	at, into, key := in.time("time"), in.text("into"), in.text("key")
	ph := in.ph("ph")
	if into != "keg" && into != "bottle" {
		in.fault("into", "Choose keg or bottles.")
	}
	const tick = "Tick this if it is to be packaged all the same. Nothing was entered yet."
	if notCold(st, Units{}) != "" && in.text("warm") != "yes" {
		in.fault("warm", "%s", tick)
	}
	last := st.PH
	if ph != nil {
		last = &phSeen{Value: *ph, Time: at}
	}
	if in.errors["ph"] == "" && acidWords(last) != "" && in.text("acid") != "yes" {
		in.fault("acid", "%s", tick)
	}
	if !in.good() {
		if ph != nil {
			st.PH = last // what is said of it stands on the form that comes back
		}
		return nil
	}
	if err := s.packagedInOrder(r.Context(), st.Batch, at); err != nil {
		return err
	}
	if ph != nil {
		if err := s.opts.Actions.AddSample(r.Context(), st.Batch.ID, Sample{Time: at, PH: ph, Key: keyed(key, "ph")}); err != nil {
			return err
		}
	}
	return s.opts.Actions.Packaged(r.Context(), st.Batch.ID, Package{Time: at, Into: into, Key: key})
}

// packagedInOrder refuses a packaging before the pitch or the start of the crash: the
// record would contradict itself.
func (s *Server) packagedInOrder(ctx context.Context, b journal.Batch, at time.Time) error {
	if at.Before(b.Started) {
		return &Refused{Field: "time", Text: fmt.Sprintf("That is before the batch was pitched, %s. Enter when it was packaged.", clock(b.Started, s.opts.Now(), s.loc))}
	}
	all, err := s.entries(ctx, b)
	if err != nil {
		return err
	}
	gone := struck(all)
	for _, e := range all {
		// A form knows no seconds: within the minute of the crash is not before it.
		if e.Kind == journal.CrashStarted && !gone[e.Seq] && at.Before(e.Time.Truncate(time.Minute)) {
			return &Refused{Field: "time", Text: fmt.Sprintf("That is before the crash, which is entered as started %s. Enter when it was packaged; if the crash is wrong, correct it first, under What happened.", clock(e.Time, s.opts.Now(), s.loc))}
		}
	}
	return nil
}

// acidWords is why a pH, or none, stands against packaging; empty if nothing
// shows that it does.
func acidWords(p *phSeen) string {
	if p == nil {
		return "No pH is recorded. " + gravity.CautionAcid
	}
	return gravity.PH(p.Value).Against()
}

// keyed is a second key made of a form's own; none of none.
func keyed(key, what string) string {
	if key == "" {
		return ""
	}
	return key + "/" + what
}
