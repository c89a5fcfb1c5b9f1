package page

import (
	"context"
	"net/http"
	"slices"
	"time"

	"ebbline/ingest/journal"
)

// line is a batch on the overview.
type line struct {
	*status
	Severity string
	Sentence string
	Detail   string
	Picture  *picture
	Heard    string // age of the last reading
	Final    string // of a finished batch
}

// healthLine is a health item in the list of all of them.
type healthLine struct {
	HealthItem
	Mild bool
}

// overview is the first page.
type overview struct {
	Running  []line
	Finished []line
	Trouble  []trouble
	Notes    []string // worth knowing, nothing to fear
	Well     bool
	Health   []healthLine
	Unknown  int // topics that no sensor listens to
}

func (s *Server) getOverview(w http.ResponseWriter, r *http.Request) {
	o, err := s.overview(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "overview", frame{Title: "Batches", Here: "batches", Script: "live.js", Body: o})
}

func (s *Server) overview(ctx context.Context) (*overview, error) {
	running, finished, err := s.allBatches(ctx, s.brief)
	if err != nil {
		return nil, err
	}
	o := &overview{Well: true}
	for _, st := range running {
		l, err := s.line(ctx, st)
		if err != nil {
			return nil, err
		}
		o.Running = append(o.Running, l)
	}
	for _, st := range finished {
		o.Finished = append(o.Finished, line{status: st, Final: s.final(st)})
	}
	for _, h := range s.health() {
		o.Health = append(o.Health, healthLine{h, mild(h)})
		switch {
		case h.OK:
		case mild(h):
			o.Notes = append(o.Notes, h.Text)
		default:
			o.Well = false
			o.Trouble = append(o.Trouble, toldTrouble(h))
		}
	}
	topics, err := s.opts.Journal.UnassignedTopics(ctx)
	o.Unknown = len(topics)
	return o, err
}

func (s *Server) health() []HealthItem {
	if s.opts.Health == nil {
		return nil
	}
	return s.opts.Health()
}

// gather is a way to find out about a batch.
type gather func(context.Context, journal.Batch) (*status, error)

// brief reads of a finished batch what its line on the overview needs: years of
// them must not slow the page down.
func (s *Server) brief(ctx context.Context, b journal.Batch) (*status, error) {
	st := &status{Batch: b}
	return st, s.beliefs(ctx, st)
}

// allBatches gathers every batch: the running ones most urgent first, the
// finished ones newest first. over gathers what is wanted of a finished one.
func (s *Server) allBatches(ctx context.Context, over gather) (running, finished []*status, err error) {
	all, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, b := range all {
		how := s.status
		if b.Ended != nil {
			how = over
		}
		st, err := how(ctx, b)
		if err != nil {
			return nil, nil, err
		}
		if b.Ended == nil {
			running = append(running, st)
		} else {
			finished = append(finished, st)
		}
	}
	slices.SortFunc(running, mostUrgent)
	slices.SortFunc(finished, func(a, b *status) int { return b.Batch.Ended.Compare(*a.Batch.Ended) })
	return running, finished, nil
}

// line puts a running batch on one line with its small graph.
func (s *Server) line(ctx context.Context, st *status) (line, error) {
	win := s.window(st, window{buckets: 80})
	g, err := s.graph(ctx, st, win)
	if err != nil {
		return line{}, err
	}
	l := line{status: st, Severity: st.severity(), Picture: draw(st, g, 320, 90, win.from, win.to)}
	l.Sentence = s.sentence(st)
	l.Heard = s.heard(st)
	return l, nil
}

// sentence is the batch's first sentence, or what can be said without one.
func (s *Server) sentence(st *status) string {
	switch {
	case st.Verdict != nil:
		return st.Verdict.Text
	case st.Batch.Ended != nil:
		return "This batch is packaged."
	case st.NeverHeard:
		return "Waiting for the first reading. Until it comes, nothing can be said about this batch."
	}
	return "Readings arrive. The first estimate is being worked out."
}

// heard says how old the last gravity reading is.
func (s *Server) heard(st *status) string {
	last, ok := st.lastGravity()
	switch {
	case !ok:
		return "no reading yet"
	case st.Batch.Ended != nil:
		return "last reading " + clock(last, s.opts.Now(), s.loc)
	}
	return "last reading " + span(st.Silent) + " ago"
}

// final says how a batch ended.
func (s *Server) final(st *status) string {
	if st.Estimate == nil {
		return "no estimate"
	}
	return abv(st.Estimate.ABV) + " ± " + abv(st.Estimate.ABVSD) + " % ABV"
}

// alertView is an open alert with what can be done about it.
type alertView struct {
	journal.Alert
	Label string
}

func viewAlerts(all []journal.Alert) []alertView {
	out := make([]alertView, 0, len(all))
	for _, a := range all {
		out = append(out, alertView{Alert: a, Label: severityWord(a.Severity)})
	}
	return out
}

// severityWord names a severity beside its colour and shape.
func severityWord(s string) string {
	switch s {
	case "urgent":
		return "Act now"
	case "warning":
		return "Look soon"
	case "info":
		return "For your information"
	}
	return ""
}

// day counts the brewer's calendar days; the day of pitch is day 1.
func day(st *status, now time.Time, loc *time.Location) int {
	return dayNumber(now.In(loc)) - dayNumber(st.About.PitchedAt.In(loc)) + 1
}
