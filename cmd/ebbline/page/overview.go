package page

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/ingest/journal"
)

// line is a batch on the overview.
type line struct {
	*status
	Severity string
	Sentence string
	Detail   string
	Picture  *picture
	Strength string // what is believed now, beside the ceiling
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
	// Newer and Older are the neighbouring pages of finished batches; 0: none.
	Newer, Older int
}

func (s *Server) getOverview(w http.ResponseWriter, r *http.Request) {
	page, err := strconv.Atoi(r.URL.Query().Get("finished"))
	if err != nil || page < 1 {
		page = 1
	}
	o, err := s.overview(r.Context(), s.unitsOf(r), page)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "overview", frame{Title: "Batches", Here: "batches", Script: "live.js", Body: o})
}

// postClock takes a person's word that the clock of the machine is right now.
func (s *Server) postClock(w http.ResponseWriter, r *http.Request) {
	if err := s.opts.Actions.PutRight(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// finishedAtOnce is how many finished batches one page lists.
const finishedAtOnce = 20

func (s *Server) overview(ctx context.Context, u Units, page int) (*overview, error) {
	all, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		return nil, err
	}
	o := &overview{Well: true}
	var running []*status
	var finished []journal.Batch
	for _, b := range all {
		if b.Ended != nil {
			finished = append(finished, b)
			continue
		}
		st, err := s.status(ctx, b)
		if err != nil {
			return nil, err
		}
		running = append(running, st)
	}
	slices.SortFunc(running, mostUrgent)
	for _, st := range running {
		l, err := s.line(ctx, st, u)
		if err != nil {
			return nil, err
		}
		o.Running = append(o.Running, l)
	}
	if err := s.finished(ctx, o, finished, page); err != nil {
		return nil, err
	}
	for _, h := range s.health() {
		l := healthLine{h, mild(h)}
		switch {
		case h.OK:
		case l.Mild:
			o.Notes = append(o.Notes, h.Text)
		default:
			o.Well = false
			t := toldTrouble(h)
			if o.Trouble = append(o.Trouble, t); t.Head != "" {
				l.Text = t.Head + ": its faults stand at the top of this page."
			}
		}
		o.Health = append(o.Health, l)
	}
	topics, err := s.freeTopics(ctx)
	o.Unknown = len(topics)
	return o, err
}

// finished lists one page of the finished batches, the newest first.
func (s *Server) finished(ctx context.Context, o *overview, all []journal.Batch, page int) error {
	slices.SortFunc(all, func(a, b journal.Batch) int { return b.Ended.Compare(*a.Ended) })
	last := max(1, (len(all)+finishedAtOnce-1)/finishedAtOnce)
	page = min(page, last)
	if page > 1 {
		o.Newer = page - 1
	}
	if page < last {
		o.Older = page + 1
	}
	for _, b := range all[(page-1)*finishedAtOnce : min(len(all), page*finishedAtOnce)] {
		st, err := s.brief(ctx, b)
		if err != nil {
			return err
		}
		o.Finished = append(o.Finished, line{status: st, Final: s.final(st)})
	}
	return nil
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
func (s *Server) line(ctx context.Context, st *status, u Units) (line, error) {
	win := s.window(st, window{buckets: 80})
	g, err := s.graph(ctx, st, win)
	if err != nil {
		return line{}, err
	}
	l := line{status: st, Severity: st.severity(), Picture: draw(st, g, u, 320, 90, win)}
	if e := st.Estimate; e != nil {
		l.Strength = abv(e.ABV) + " ± " + abv(e.ABVSD) + " % ABV now"
		if st.Behind != nil {
			l.Strength = strings.TrimSuffix(l.Strength, "now") + clock(*st.Behind, s.opts.Now(), s.loc)
		}
	}
	l.Sentence = s.sentence(st, u)
	l.Heard = s.heard(st)
	return l, nil
}

// unwatched says why a batch is not watched; empty: it is.
func (s *Server) unwatched(batch string) string {
	if s.opts.Unwatched == nil {
		return ""
	}
	return s.opts.Unwatched(batch)
}

// sentence is the batch's first sentence in the brewer's scales, or what can be
// said without one.
func (s *Server) sentence(st *status, u Units) string {
	if why := s.unwatched(st.Batch.ID); why != "" {
		return why
	}
	switch {
	case st.Behind != nil:
		return fmt.Sprintf("Catching up: readings of before are being taken in, and have come to %s. What is to be done now is said when that is done, mostly within minutes; the figures are of that time.", clock(*st.Behind, s.opts.Now(), s.loc))
	case st.Unpacked:
		return "The packaging is struck out. What is to be done now is being worked out."
	case st.Awaits:
		return "The crash has started. How it will end is being worked out."
	case st.Verdict != nil:
		text := cmp.Or(st.Verdict.In[u.Scales()], st.Verdict.Text)
		if st.overtaken(s.opts.Now()) {
			text += " That moment has passed: start it at once."
		}
		return text
	case st.Batch.Ended != nil:
		return "This batch is packaged."
	case st.NeverHeard:
		return "Waiting for the first reading. Until it comes, nothing can be said about this batch."
	}
	return "Readings arrive. The first estimate is being worked out."
}

// overtaken reports whether the moment to start the crash by lay ahead when the sentence
// was worded, and has passed since: the next look may be a quarter of an hour away.
func (st *status) overtaken(now time.Time) bool {
	if st.Batch.Ended != nil || st.Crashed != nil || st.Outlook == nil || st.Outlook.CrashBy == nil {
		return false
	}
	by := *st.Outlook.CrashBy
	if told := by.Truncate(5 * time.Minute); told.After(st.VerdictAt) {
		by = told // as the sentence has it
	}
	return by.After(st.VerdictAt) && !by.After(now)
}

// heard says how old the last gravity reading is.
func (s *Server) heard(st *status) string {
	last, ok := st.lastGravity()
	switch {
	case !ok && st.Batch.Ended != nil:
		return "no reading was recorded"
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
	Crash bool   // it asks for the crash, or the keg, now
	Old   bool   // its text is not what is believed now, but
	Then  string // what was then
	Late  bool   // it was found out long after it fell due
}

// oldWords is the age from which an alert's text is told from what is believed now.
const oldWords = 30 * time.Minute

// foundLate reports whether an alert was found out long after it fell due: a batch
// begun late, a daemon that was stopped.
func foundLate(a journal.Alert) bool { return a.Recorded.Sub(a.Raised) > oldWords }

// ownTitle is an alert's title on the pages of its own batch, whose name it need
// not say there.
func ownTitle(a journal.Alert, b journal.Batch) string {
	return strings.TrimSuffix(a.Title, ": "+b.Name)
}

func viewAlerts(st *status, now time.Time, loc *time.Location) []alertView {
	out := make([]alertView, 0, len(st.Alerts))
	for _, a := range st.Alerts {
		a.Title, a.Message = alert.ReadAt(ownTitle(a, st.Batch), a.Raised, now, loc), alert.ReadAt(a.Message, a.Raised, now, loc)
		v := alertView{Alert: a, Label: severityWord(a.Severity), Crash: asksForCrash(a) && a.Kind != "crash-soon" && st.Crashed == nil && st.Batch.Ended == nil, Old: now.Sub(a.Raised) > oldWords, Then: dated(a.Raised, now, loc), Late: foundLate(a)}
		out = append(out, v)
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
