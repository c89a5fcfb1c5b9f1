package page

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"ebbline/ingest/journal"
)

// What scripts read of a batch's record at full resolution, and what they change
// in it.

// recordRoutes are those routes.
func (s *Server) recordRoutes() []route {
	return []route{
		{"GET /api/v1/batches/{id}/readings", reader, s.apiReadings},
		{"GET /api/v1/batches/{id}/estimates", reader, s.apiEstimates},
		{"GET /api/v1/batches/{id}/export/{file}", reader, s.getExport},
		{"GET /api/v1/batches/{id}/packaging", reader, s.apiPackaging},
		{"POST /api/v1/batches/{id}/entries/{seq}/strike", writer, s.apiStrike},
		{"PUT /api/v1/batches/{id}/sensors", writer, s.apiSetSensors},
	}
}

// apiReadings gives readings in the order in which they became known, so that a
// script can follow a batch: by the cursor of the last answer it goes on later.
func (s *Server) apiReadings(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	win, refused := askedWindow(r)
	a, wrong := askedPage(q, mostItems, mostReadings)
	var seq int64
	if wrong == nil && a.after != "" {
		var err error
		if seq, err = strconv.ParseInt(a.after, 10, 64); err != nil {
			wrong = errCursor()
		}
	}
	for _, f := range []*Refused{refused, wrong} {
		if f != nil {
			s.fail(w, r, f)
			return
		}
	}
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	entries, err := s.entries(r.Context(), st.Batch)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := tenures(st, entries)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	from := s.window(st, window{from: win.from}).from
	some, others, err := s.opts.Journal.Inputs(r.Context(), st.Batch.ID, sensorsOf(all), seq, from, a.limit)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := []readingInfo{}
	for _, one := range some {
		seq = max(seq, one.Seq)
		its := slices.ContainsFunc(all, func(t tenure) bool { return t.Sensor == one.Sensor && t.holds(one.Time) })
		if its && (win.to.IsZero() || one.Time.Before(win.to)) &&
			(q.Get("sensor") == "" || q.Get("sensor") == one.Sensor) && (q.Get("quantity") == "" || q.Get("quantity") == string(one.Quantity)) {
			out = append(out, infoOf(one))
		}
	}
	for _, e := range others {
		seq = max(seq, e.Seq)
	}
	if len(some)+len(others) == a.limit {
		linkNext(w, r, strconv.FormatInt(seq, 10))
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"readings": out, "cursor": cursorOf(strconv.FormatInt(seq, 10))})
}

func (s *Server) apiEstimates(w http.ResponseWriter, r *http.Request) {
	win, refused := askedWindow(r)
	a, wrong := askedPage(r.URL.Query(), mostItems, mostReadings)
	if wrong == nil && a.after != "" {
		at, err := strconv.ParseInt(a.after, 10, 64)
		if err != nil {
			wrong = errCursor()
		}
		if next := time.UnixMicro(at + 1); next.After(win.from) {
			win.from = next
		}
	}
	for _, f := range []*Refused{refused, wrong} {
		if f != nil {
			s.fail(w, r, f)
			return
		}
	}
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	events, err := s.opts.Journal.Events(r.Context(), st.Batch.ID, []string{"estimate"}, win.from, win.to, a.limit+1, false)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if len(events) > a.limit {
		events = events[:a.limit]
		linkNext(w, r, strconv.FormatInt(events[a.limit-1].Time.UnixMicro(), 10))
	}
	out := []estimate{}
	for _, ev := range events {
		e, err := estimateOf(ev)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		out = append(out, e)
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"estimates": out})
}

// apiPackaging says what the form for the end of a batch says before it is sent.
func (s *Server) apiPackaging(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	out := map[string]any{"warm": notCold(st, Units{}), "acid": acidWords(st.PH), "outcomes": []string{}}
	if s.opts.Packaging != nil && st.Batch.Ended == nil {
		if words := s.opts.Packaging(st.Batch.ID, Units{}); words != nil {
			out["outcomes"] = words
		}
	}
	s.answerJSON(w, r, http.StatusOK, out)
}

func (s *Server) apiStrike(w http.ResponseWriter, r *http.Request) {
	var ask struct {
		Key string `json:"key"`
	}
	err := bodyIfAny(r, &ask)
	var b journal.Batch
	if err == nil {
		b, err = s.opts.Journal.Batch(r.Context(), r.PathValue("id"))
	}
	var e journal.Entry
	if err == nil {
		e, err = s.entryOf(r.Context(), b, r.PathValue("seq"))
	}
	if err == nil {
		err = s.opts.Actions.Strike(r.Context(), r.PathValue("id"), Strike{Seq: e.Seq, Time: s.opts.Now(), Key: ask.Key})
	}
	s.answerDone(w, r, err)
}

// bodyIfAny decodes a body that may be left out.
func bodyIfAny(r *http.Request, v any) error {
	if r.ContentLength == 0 {
		return nil
	}
	return body(r, v)
}

func (s *Server) apiSetSensors(w http.ResponseWriter, r *http.Request) {
	var ask struct {
		Sensors *[]string `json:"sensors"`
		Key     string    `json:"key"`
	}
	err := body(r, &ask)
	if err == nil && ask.Sensors == nil {
		err = &Refused{Field: "sensors", Text: "want the names of all sensors that the batch has from now on; none is an empty list"}
	}
	var b journal.Batch
	if err == nil {
		b, err = s.opts.Journal.Batch(r.Context(), r.PathValue("id"))
	}
	if err == nil && !slices.Equal(*ask.Sensors, b.Sensors) { // put again, it changes nothing
		err = s.opts.Actions.SetSensors(r.Context(), b.ID, Swap{Time: s.opts.Now(), Sensors: *ask.Sensors, Key: ask.Key})
	}
	s.answerDone(w, r, err)
}
