package page

import (
	"context"
	"net/http"
	"time"

	"ebbline/ingest/journal"
)

// answerDone answers a write that has nothing to show.
func (s *Server) answerDone(w http.ResponseWriter, r *http.Request, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *Server) apiSample(w http.ResponseWriter, r *http.Request) {
	var m Sample
	err := body(r, &m)
	if m.Time.IsZero() {
		m.Time = s.opts.Now()
	}
	id := r.PathValue("id")
	if err == nil {
		err = m.Check()
	}
	if err == nil && !m.Sure {
		err = s.notOdd(r.Context(), id, m)
	}
	if err == nil {
		err = s.opts.Actions.AddSample(r.Context(), id, m)
	}
	s.answerDone(w, r, err)
}

// action is what the API can do to a batch besides samples.
type action struct {
	Action string    `json:"action"` // "crash-started", "packaged", "note"
	Time   time.Time `json:"time"`   // absent: now
	Into   string    `json:"into"`   // "keg" or "bottle", for packaged
	Warm   bool      `json:"warm"`   // package beer that is not crashed or not cold
	Acid   bool      `json:"acid"`   // package beer without a pH, or with one that is too high
	Text   string    `json:"text"`   // for note
	Key    string    `json:"key"`    // sending the same key again changes nothing
}

func (s *Server) apiAction(w http.ResponseWriter, r *http.Request) {
	var a action
	if err := body(r, &a); err != nil {
		s.fail(w, r, err)
		return
	}
	if a.Time.IsZero() {
		a.Time = s.opts.Now()
	}
	id, ctx := r.PathValue("id"), r.Context()
	var err error
	switch {
	case a.Action == "crash-started":
		err = s.crashedBy(ctx, id, a)
	case a.Action == "packaged":
		err = s.packagedBy(ctx, id, a)
	case a.Action == "note" && a.Text == "":
		err = &Refused{Field: "text", Text: "a note needs text"}
	case a.Action == "note":
		err = s.opts.Actions.Note(ctx, id, Note{Time: a.Time, Text: a.Text, Key: a.Key})
	default:
		err = &Refused{Field: "action", Text: "want crash-started, packaged or note"}
	}
	s.answerDone(w, r, err)
}

func (s *Server) crashedBy(ctx context.Context, id string, a action) error {
	b, err := s.opts.Journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	if err := s.notCrashed(ctx, b, a.Key, ""); err != nil {
		return err
	}
	return s.opts.Actions.CrashStarted(ctx, id, a.Time, a.Key)
}

// packagedBy ends a batch; one that is not cold or not sour enough only if the
// script says so, as whoever packages by the form must.
func (s *Server) packagedBy(ctx context.Context, id string, a action) error {
	if a.Into != "keg" && a.Into != "bottle" {
		return &Refused{Field: "into", Text: "want keg or bottle"}
	}
	b, err := s.opts.Journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	st, err := s.status(ctx, b)
	if err != nil {
		return err
	}
	if why := notCold(st, Units{}); why != "" && !a.Warm {
		return &Refused{Field: "warm", Text: why + ` Send "warm": true to package it all the same.`}
	}
	if why := acidWords(st.PH); why != "" && !a.Acid && b.Ended == nil {
		return &Refused{Field: "acid", Text: why + ` Enter a pH with the samples, or send "acid": true to package it all the same.`}
	}
	if b.Ended == nil {
		if err := s.packagedInOrder(ctx, b, a.Time); err != nil {
			return err
		}
	}
	return s.opts.Actions.Packaged(ctx, id, Package{Time: a.Time, Into: a.Into, Key: a.Key})
}

// alertInfo is an alert as the API shows it: without the token of its link.
type alertInfo struct {
	ID           string     `json:"id"`
	Batch        string     `json:"batch"`
	Kind         string     `json:"kind"`
	Severity     string     `json:"severity"`
	Title        string     `json:"title"`
	Message      string     `json:"message"`
	Raised       time.Time  `json:"raised"`
	Acknowledged *time.Time `json:"acknowledged"`
	SnoozedUntil *time.Time `json:"snoozed_until"`
	Resolved     *time.Time `json:"resolved"`
}

func (s *Server) apiAlerts(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	all, err := s.opts.Journal.Alerts(r.Context(), q.Get("batch"), q.Get("open") == "true")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answerList(s, w, r, "alerts", alertInfos(all), func(a alertInfo) string { return a.ID })
}

// alertInfos are alerts as the API shows them.
func alertInfos(all []journal.Alert) []alertInfo {
	out := []alertInfo{}
	for _, a := range all {
		out = append(out, alertInfo{a.ID, a.Batch, a.Kind, a.Severity, a.Title, a.Message, a.Raised, a.Acknowledged, a.SnoozedUntil, a.Resolved})
	}
	return out
}

// alertID is the alert that a path names.
func alertID(r *http.Request) string {
	return r.PathValue("id") + "/" + r.PathValue("kind") + "/" + r.PathValue("n")
}

func (s *Server) apiAcknowledge(w http.ResponseWriter, r *http.Request) {
	s.answerDone(w, r, s.opts.Actions.Acknowledge(r.Context(), alertID(r)))
}

func (s *Server) apiSnooze(w http.ResponseWriter, r *http.Request) {
	a, err := s.opts.Journal.Alert(r.Context(), alertID(r))
	if err == nil {
		err = s.remind(r, a)
	}
	s.answerDone(w, r, err)
}

func (s *Server) apiTokens(w http.ResponseWriter, r *http.Request) {
	all, err := s.tokens.all(r.Context(), s.opts.Wall())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := []tokenInfo{}
	for _, t := range all {
		out = append(out, tokenInfo{t.ID, t.Name, t.Created})
	}
	answerList(s, w, r, "tokens", out, func(t tokenInfo) string { return t.ID })
}

func (s *Server) apiMakeToken(w http.ResponseWriter, r *http.Request) {
	var ask struct {
		Name string `json:"name"`
	}
	if err := body(r, &ask); err != nil {
		s.fail(w, r, err)
		return
	}
	word, refused, err := s.makeToken(r, ask.Name)
	if refused != nil {
		err = refused
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answerJSON(w, r, http.StatusCreated, map[string]string{"name": ask.Name, "token": word})
}

func (s *Server) apiRemoveToken(w http.ResponseWriter, r *http.Request) {
	found, err := s.tokens.remove(r.Context(), r.PathValue("token"))
	if err == nil && !found {
		err = journal.ErrNotFound
	}
	s.answerDone(w, r, err)
}
