package page

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/ingest/journal"
)

// reminder is how long "remind me" holds an alert back.
const reminder = time.Hour

// answerPage is the page behind an alert's link.
type answerPage struct {
	journal.Alert
	Batch   string // its name
	Word    string
	Link    string
	Done    string
	Over    bool // nothing is left to answer
	Crash   bool // "crash started" makes sense
	Asks    bool // the alert asks for the crash: that button comes first
	By      string
	BatchID string
	LogIn   bool
	// Now is what is believed now, if the alert's words are not; First says that
	// it goes before them.
	Now       string
	NowMore   string
	NowWord   string
	NowWeight string // severity
	NowAt     *time.Time
	First     bool
	Then      string // of when its words are, if they are old
	Late      bool   // it was found out long after it fell due
}

// tokenAlert finds the alert that the link's token opens, or answers 404: a
// forged token and an unknown one look alike.
func (s *Server) tokenAlert(w http.ResponseWriter, r *http.Request) (journal.Alert, bool) {
	w.Header().Set("Referrer-Policy", "no-referrer") // the token stays in the address bar
	token := r.PathValue("token")
	var a journal.Alert
	err := journal.ErrNotFound
	if token != "" {
		a, err = s.opts.Journal.AlertByToken(r.Context(), token)
	}
	if errors.Is(err, journal.ErrNotFound) {
		s.missing(w, r, "This link opens no alert. Use the link of the newest notification, or open the overview.")
		return a, false
	}
	if err != nil {
		s.fail(w, r, err)
		return a, false
	}
	return a, true
}

// getAnswer shows the alert and changes nothing: mail scanners and previews
// follow links too.
func (s *Server) getAnswer(w http.ResponseWriter, r *http.Request) {
	if a, ok := s.tokenAlert(w, r); ok {
		s.showAnswer(w, r, a, "")
	}
}

func (s *Server) showAnswer(w http.ResponseWriter, r *http.Request, a journal.Alert, done string) {
	p := answerPage{
		Alert: a, Late: foundLate(a), Word: severityWord(a.Severity), Link: "/a/" + escapePath(a.Token), Done: done, BatchID: a.Batch,
		Over: a.Acknowledged != nil || a.Resolved != nil, Batch: a.Batch, LogIn: !s.opts.Open && sessionOf(r) == "",
	}
	if b, ok, err := s.find(r.Context(), a.Batch); err == nil && ok {
		p.Batch = b.Name
		if st, err := s.status(r.Context(), b); err == nil {
			p.Crash = st.Crashed == nil && b.Ended == nil
			p.Asks = p.Crash && asksForCrash(a)
			if o, now := st.Outlook, s.opts.Now(); p.Asks && o != nil && st.Behind == nil && o.CrashBy != nil && (a.Kind == "crash-now" || o.CrashBy.Sub(now) < nearCrash) {
				p.By = crashWords(*o.CrashBy, now, s.loc)
			}
			s.present(&p, st, s.unitsOf(r))
		}
	}
	now := s.opts.Now()
	p.Title, p.Message = alert.ReadAt(a.Title, a.Raised, now, s.loc), alert.ReadAt(a.Message, a.Raised, now, s.loc)
	title := p.Title
	if p.First {
		title = p.Batch
	}
	s.show(w, r, http.StatusOK, "answer", frame{Title: title, Body: p})
}

// nearCrash is how far off a crash may be to be told to the minute.
const nearCrash = 6 * time.Hour

// present puts what is believed now beside an alert that was worded before: a
// link is kept on the phone, and the beer goes on meanwhile.
func (s *Server) present(p *answerPage, st *status, u Units) {
	if st.Verdict != nil && st.Behind == nil && strings.HasPrefix(p.Message, st.Verdict.Text) && p.Resolved == nil {
		return // it is what the alert says
	}
	if now := s.opts.Now(); now.Sub(p.Raised) > oldWords {
		p.Then = dated(p.Raised, now, s.loc)
	}
	p.Now, p.NowMore = firstSentence(s.sentence(st, u))
	p.NowAt = st.saidAt()
	p.NowWeight = st.severity()
	if p.NowWord = severityWord(p.NowWeight); p.NowWord == "" {
		p.NowWord = "Now"
	}
	p.First = p.Resolved != nil || ofTheCourse(p.Kind)
}

// ofTheCourse tells the alerts that begin with what is to be done about the
// batch; the others speak of a sensor, a sample or a measurement.
func ofTheCourse(kind string) bool {
	switch kind {
	case "crash-soon", "crash-now", "over-ceiling", "stays-below", "not-cooling", "still-fermenting", "not-started":
		return true
	}
	return false
}

// crashWords says by when the crash must start, by the latest belief.
func crashWords(by, now time.Time, loc *time.Location) string {
	if !by.After(now) {
		return "Crash now: the latest moment has passed."
	}
	return "Crash by " + clock(by, now, loc) + ", " + ahead(by, now) + "."
}

// seenWords says what follows from "I have seen it": less than some think.
func (s *Server) seenWords(ctx context.Context, a journal.Alert) string {
	const done = "Answered. This alert will not ring again; others of this batch still do."
	b, err := s.opts.Journal.Batch(ctx, a.Batch)
	if err != nil || b.Ended != nil {
		return done
	}
	st, err := s.status(ctx, b)
	if err != nil || st.Crashed != nil || !asksForCrash(a) {
		return done
	}
	more := "."
	over := slices.ContainsFunc(st.Alerts, func(o journal.Alert) bool { return o.Kind == "over-ceiling" })
	if a.Kind == "crash-now" && a.Resolved == nil && !over {
		more = "; the phone asks again if the beer does not get colder."
	}
	return done + " No crash is recorded: press “The crash has started” when the cooling is on" + more
}

// asksForCrash tells the alerts whose answer is the crash, of a batch in whose record
// there is none: what then does not cool was only answered, or sent a command.
func asksForCrash(a journal.Alert) bool {
	return a.Kind == "crash-now" || a.Kind == "crash-soon" || a.Kind == "not-cooling"
}

// postAnswer acts: an empty body acknowledges, as the contract promises. Each
// act done again changes nothing.
func (s *Server) postAnswer(w http.ResponseWriter, r *http.Request) {
	a, ok := s.tokenAlert(w, r)
	if !ok {
		return
	}
	ctx, now := r.Context(), s.opts.Now()
	var err error
	var done string
	switch act := r.PostFormValue("do"); act {
	case "", "acknowledge":
		done, err = s.seenWords(ctx, a), s.opts.Actions.Acknowledge(ctx, a.ID)
	case "remind":
		done, err = "You will be reminded at "+now.Add(reminder).In(s.loc).Format("15:04")+".", s.remind(r, a)
	case "crash":
		done, err = "The start of the crash is in the record. ebbline now watches the cooling.", s.crashByLink(r, a)
	default:
		s.trouble(w, r, http.StatusBadRequest, "Not understood", "Nothing was changed: this button is not known.")
		return
	}
	var refused *Refused
	if errors.As(err, &refused) {
		s.trouble(w, r, http.StatusUnprocessableEntity, "Not done", refused.Text)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if a, err = s.opts.Journal.Alert(ctx, a.ID); err != nil {
		s.fail(w, r, err)
		return
	}
	if wantsPage(r) {
		s.showAnswer(w, r, a, done)
		return
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"alert": a.ID, "done": done, "acknowledged": a.Acknowledged})
}

// remind holds an alert back for an hour; a second tap within a minute changes
// nothing. An alert that rings no more cannot be held back.
func (s *Server) remind(r *http.Request, a journal.Alert) error {
	until := s.opts.Now().Add(reminder)
	if a.Acknowledged != nil || a.Resolved != nil {
		return &Refused{Text: "This alert is answered or over; it will not ring again."}
	}
	if a.SnoozedUntil != nil && until.Sub(*a.SnoozedUntil).Abs() < time.Minute { // a later one is of a clock that was set back
		return nil
	}
	return s.opts.Actions.Snooze(r.Context(), a.ID, until)
}

// crashByLink records the crash once for each alert and stops its repeats. The
// link of an alert that is over starts no crash.
func (s *Server) crashByLink(r *http.Request, a journal.Alert) error {
	b, err := s.opts.Journal.Batch(r.Context(), a.Batch)
	if err != nil {
		return err
	}
	st, err := s.status(r.Context(), b)
	if err != nil {
		return err
	}
	if st.Crashed == nil && a.Resolved != nil {
		return &Refused{Text: "This alert is over, so its link starts nothing. Enter the start of the crash on the batch's page."}
	}
	if st.Crashed == nil {
		if err := s.opts.Actions.CrashStarted(r.Context(), a.Batch, s.opts.Now(), "link "+a.ID); err != nil {
			return err
		}
	}
	return s.opts.Actions.Acknowledge(r.Context(), a.ID)
}

// wantsPage tells a browser's form from a script or a notification's button.
func wantsPage(r *http.Request) bool {
	return accepts(r, "text/html")
}

// postAlert is the buttons on a batch's page.
func (s *Server) postAlert(w http.ResponseWriter, r *http.Request) {
	a, err := s.opts.Journal.Alert(r.Context(), r.PostFormValue("alert"))
	if errors.Is(err, journal.ErrNotFound) {
		s.missing(w, r, "This alert does not exist.")
		return
	}
	done := "answered"
	if err == nil {
		switch r.PostFormValue("do") {
		case "remind":
			done, err = "later", s.remind(r, a)
		case "crash":
			done, err = "crash", s.crashByLink(r, a)
		default:
			err = s.opts.Actions.Acknowledge(r.Context(), a.ID)
		}
	}
	var refused *Refused
	if errors.As(err, &refused) {
		s.trouble(w, r, http.StatusUnprocessableEntity, "Not done", refused.Text)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/batch/"+escapePath(a.Batch)+"?done="+done, http.StatusSeeOther)
}
