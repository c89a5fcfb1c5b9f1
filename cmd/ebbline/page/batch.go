package page

import (
	"net/http"
	"slices"
	"time"

	"ebbline/projection/gravity"
)

// batchPage is one batch on a screen.
type batchPage struct {
	*status
	Severity  string
	Word      string
	Sentence  string
	More      string // the rest of what was said
	SaidAt    *time.Time
	Heard     string
	Day       int
	Ceiling   string
	Dots      *crossings
	Open      []alertView
	Figures   []figure
	Rules     []byRule
	Units     Units
	Happened  []happening
	Changed   string // what was entered and the disk has changed
	Picture   *picture
	Hot       bool   // a temperature is shown that is not used
	Thinned   string // what is left of the readings, if not all
	Target    *float64
	IfLeft    *quantiles
	IfCrashed *quantiles
	OverPH    string
	Done      string // what was just entered
	WhatIf    bool   // another choice can be tried
	Asked     bool   // an alert asks for the crash, and has the button
}

// mostHappened bounds the list on the batch's page.
const mostHappened = 60

func (s *Server) getBatch(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	u, win := s.unitsOf(r), s.window(st, window{buckets: 160})
	g, err := s.graph(ctx, st, win)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rate, err := s.rate(ctx, st)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	happened, err := s.happened(ctx, st, u)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	changed, err := s.opts.Journal.ChangedEntries(ctx, st.Batch.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	thinned, err := s.thinned(ctx, st)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := batchPage{
		status: st, Severity: st.severity(), Sentence: s.sentence(st, u), Heard: s.heard(st), Day: day(st, s.opts.Now(), s.loc),
		Ceiling: g.Ceiling, Dots: s.dotRow(st), Open: viewAlerts(st, s.opts.Now(), s.loc), Figures: s.figures(st, rate, u),
		Rules: byRules(st.About, st.Estimate), Units: u,
		Happened: happened[:min(len(happened), mostHappened)], Changed: changedWords(len(changed)), Picture: draw(st, g, u, 640, 300, win),
		Thinned: thinned, Hot: g.hot(), Target: g.Target, OverPH: acidWords(st.PH), Done: doneWords(r.URL.Query().Get("done")),
	}
	_, able := s.opts.Actions.(Supposer)
	p.WhatIf = able && st.Batch.Ended == nil && st.Crashed == nil && st.Behind == nil
	p.Asked = slices.ContainsFunc(p.Open, func(a alertView) bool { return a.Crash && a.Acknowledged == nil })
	p.Word = severityWord(p.Severity)
	p.Sentence, p.More = firstSentence(p.Sentence)
	p.SaidAt = st.saidAt()
	if st.Behind != nil {
		p.Dots, p.SaidAt = nil, nil
	} else if o := st.Outlook; o != nil && st.Batch.Ended == nil {
		p.IfLeft, p.IfCrashed = &o.ABVIfLeft, &o.ABVIfCrashedNow
	}
	s.show(w, r, http.StatusOK, "batch", frame{Title: st.Batch.Name, Here: "batches", Script: "batch.js", Body: p})
}

// statusOf reads the batch that the path names, or answers that there is none.
func (s *Server) statusOf(w http.ResponseWriter, r *http.Request) (*status, bool) {
	b, ok, err := s.find(r.Context(), r.PathValue("id"))
	if err == nil && !ok {
		s.missing(w, r, "There is no batch of this name. The overview lists all there are.")
		return nil, false
	}
	var st *status
	if err == nil {
		st, err = s.status(r.Context(), b)
	}
	if err != nil {
		s.fail(w, r, err)
		return nil, false
	}
	return st, true
}

// ceilingText says a ceiling with its comparison.
func ceilingText(c gravity.Ceiling) string {
	if c.Strict {
		return "under " + trim(float64(c.Limit)) + " % ABV"
	}
	return trim(float64(c.Limit)) + " % ABV"
}

func doneWords(what string) string {
	return map[string]string{
		"sample": "The sample is in the record.", "crash": "The start of the crash is in the record.",
		"packaged": "The batch is packaged.", "note": "The note is in the record.",
		"answered": "Answered: this alert will not ring again. If it asked for the crash, enter the crash when it starts.", "later": "You will be reminded in an hour.",
		"started": "The batch is started.", "sensors": "The sensors are changed: from now on these count.",
		"struck": "The entry is struck out. It stays in the record and no longer counts.", "unpacked": "The packaging is struck out: this batch is watched again.",
	}[what]
}
