package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/ingest/journal"
)

// apiRoutes is the API; assets/openapi.json describes each, a test compares.
func (s *Server) apiRoutes() []route {
	return slices.Concat(s.recordRoutes(), s.deskAPIRoutes(), []route{
		{"GET /api/v1/openapi.json", anyone, s.apiDocument},
		{"GET /api/v1/batches", reader, s.apiBatches},
		{"POST /api/v1/batches", writer, s.apiStart},
		{"GET /api/v1/batches/{id}", reader, s.apiBatch},
		{"GET /api/v1/batches/{id}/series", reader, s.apiSeries},
		{"GET /api/v1/batches/{id}/what-if", reader, s.apiWhatIf},
		{"GET /api/v1/batches/{id}/entries", reader, s.apiEntries},
		{"POST /api/v1/batches/{id}/samples", writer, s.apiSample},
		{"POST /api/v1/batches/{id}/actions", writer, s.apiAction},
		{"GET /api/v1/alerts", reader, s.apiAlerts},
		{"POST /api/v1/alerts/{id}/{kind}/{n}/acknowledge", writer, s.apiAcknowledge},
		{"POST /api/v1/alerts/{id}/{kind}/{n}/snooze", writer, s.apiSnooze},
		{"GET /api/v1/sensors", reader, s.apiSensors},
		{"GET /api/v1/topics", reader, s.apiTopics},
		{"GET /api/v1/refusals", reader, s.apiRefusals},
		{"GET /api/v1/health", reader, s.apiHealth},
		{"GET /api/v1/tokens", personal, s.apiTokens},
		{"POST /api/v1/tokens", personal, s.apiMakeToken},
		{"DELETE /api/v1/tokens/{token}", personal, s.apiRemoveToken},
	})
}

func (s *Server) apiDocument(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	s.write(w, r, http.StatusOK, s.assets["openapi.json"].plain)
}

// batchInfo is a batch as the API shows it.
type batchInfo struct {
	ID       string          `json:"id"`
	Name     string          `json:"name"`
	Sensors  []string        `json:"sensors"`
	Started  time.Time       `json:"started"`
	Ended    *time.Time      `json:"ended"`
	Severity string          `json:"severity"`
	Sentence string          `json:"sentence"`
	Target   *float64        `json:"target_gravity"`
	Ceiling  string          `json:"ceiling"`
	LastSeen *time.Time      `json:"last_reading"`
	Stale    bool            `json:"stale"`
	Crashed  *time.Time      `json:"crash_started"`
	PH       *float64        `json:"ph"`
	Estimate *estimate       `json:"estimate"`
	Outlook  *outlook        `json:"projection"`
	Spec     json.RawMessage `json:"spec,omitempty"`
}

func (s *Server) info(st *status) batchInfo {
	b := batchInfo{
		ID: st.Batch.ID, Name: st.Batch.Name, Sensors: st.Batch.Sensors, Started: st.Batch.Started, Ended: st.Batch.Ended,
		Severity: st.severity(), Sentence: s.sentence(st, s.opts.Units), Target: targetOf(st.About), Ceiling: ceilingText(st.About.Ceiling),
		Stale: st.Stale, Crashed: st.Crashed, Estimate: st.Estimate, Outlook: st.Outlook,
	}
	if b.Sensors == nil {
		b.Sensors = []string{}
	}
	if last, ok := st.lastGravity(); ok {
		b.LastSeen = &last
	}
	if st.PH != nil {
		b.PH = &st.PH.Value
	}
	return b
}

func (s *Server) apiBatches(w http.ResponseWriter, r *http.Request) {
	// Of the finished ones only what the page shows is gathered.
	later := func(_ context.Context, b journal.Batch) (*status, error) { return &status{Batch: b}, nil }
	running, finished, err := s.allBatches(r.Context(), later)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	some, refused := paged(w, r, append(running, finished...), func(st *status) string { return st.Batch.ID })
	if refused != nil {
		s.fail(w, r, refused)
		return
	}
	out := []batchInfo{}
	for _, st := range some {
		if st.Batch.Ended != nil {
			if st, err = s.status(r.Context(), st.Batch); err != nil {
				s.fail(w, r, err)
				return
			}
		}
		b := s.info(st)
		if b.Outlook != nil { // the fan and the dots are the single batch's
			o := *b.Outlook
			o.Fan, o.Dots = nil, nil
			b.Outlook = &o
		}
		out = append(out, b)
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"batches": out})
}

func (s *Server) apiStart(w http.ResponseWriter, r *http.Request) {
	raw, err := io.ReadAll(r.Body)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	id, err := s.opts.Actions.StartBatch(r.Context(), raw)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Location", "/api/v1/batches/"+escapePath(id))
	s.answerJSON(w, r, http.StatusCreated, map[string]string{"id": id})
}

func (s *Server) apiBatch(w http.ResponseWriter, r *http.Request) {
	if st, ok := s.statusOf(w, r); ok {
		b := s.info(st)
		b.Spec = st.Batch.Spec
		s.answerJSON(w, r, http.StatusOK, b)
	}
}

func (s *Server) apiSeries(w http.ResponseWriter, r *http.Request) {
	win, refused := askedWindow(r)
	if refused != nil {
		s.fail(w, r, refused)
		return
	}
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	g, err := s.graph(r.Context(), st, win)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answerJSON(w, r, http.StatusOK, g)
}

// askedWindow reads from, to (RFC 3339 or Unix seconds) and buckets.
func askedWindow(r *http.Request) (window, *Refused) {
	var w window
	q := r.URL.Query()
	for name, into := range map[string]*time.Time{"from": &w.from, "to": &w.to} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			sec, err := strconv.ParseInt(text, 10, 64)
			if err != nil || sec < 0 || sec > 1<<36 {
				return w, &Refused{Field: name, Text: fmt.Sprintf("%q is neither RFC 3339 nor Unix seconds", text)}
			}
			t = time.Unix(sec, 0)
		}
		*into = t
	}
	if !w.from.IsZero() && !w.to.IsZero() && !w.to.After(w.from) {
		return w, &Refused{Field: "to", Text: "must be later than from"}
	}
	if text := q.Get("buckets"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostBuckets {
			return w, &Refused{Field: "buckets", Text: fmt.Sprintf("want a whole number from 1 to %d", mostBuckets)}
		}
		w.buckets = n
	}
	return w, nil
}

// entryInfo is an entry as the API shows it.
type entryInfo struct {
	Seq     int64           `json:"seq"`
	Kind    string          `json:"kind"`
	Time    time.Time       `json:"time"`
	Entered time.Time       `json:"entered"`
	Body    json.RawMessage `json:"body"`
	Struck  bool            `json:"struck"`
}

func (s *Server) apiEntries(w http.ResponseWriter, r *http.Request) {
	st, ok := s.statusOf(w, r)
	if !ok {
		return
	}
	all, err := s.entries(r.Context(), st.Batch)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answerList(s, w, r, "entries", entryInfos(all), func(e entryInfo) string { return strconv.FormatInt(e.Seq, 10) })
}

// entryInfos are entries as the API shows them.
func entryInfos(all []journal.Entry) []entryInfo {
	gone := struck(all)
	out := []entryInfo{}
	for _, e := range all {
		i := entryInfo{e.Seq, string(e.Kind), e.Time, e.Entered, e.Body, gone[e.Seq]}
		if len(i.Body) == 0 {
			i.Body = json.RawMessage("null")
		}
		if e.Kind == journal.SampleEntry { // in the API's spelling, whatever is kept
			var m Sample
			if json.Unmarshal(e.Body, &m) == nil {
				m.Time = e.Time
				i.Body, _ = json.Marshal(m) // numbers and a time: cannot fail
			}
		}
		out = append(out, i)
	}
	return out
}

// wanted names a kind of JSON value.
func wanted(k reflect.Kind) string {
	switch k {
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a string"
	case reflect.Slice:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "an object"
	}
	return "a number, without quotes and with a decimal point"
}

// body decodes a request strictly; what is wrong is said.
func body(r *http.Request, v any) error {
	if t := r.Header.Get("Content-Type"); t != "" && !strings.HasPrefix(t, "application/json") {
		return &Refused{Text: "Send JSON, with the header “Content-Type: application/json”."}
	}
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	err := d.Decode(v)
	var tooLarge *http.MaxBytesError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &tooLarge):
		return err
	case errors.As(err, &kind):
		return &Refused{Field: kind.Field, Text: fmt.Sprintf("Want %s, got a JSON %s.", wanted(kind.Type.Kind()), kind.Value)}
	case errors.Is(err, io.EOF):
		return &Refused{Text: "The body is empty. Send a JSON object."}
	case err != nil:
		return &Refused{Text: "The JSON cannot be read: " + strings.TrimPrefix(err.Error(), "json: ")}
	}
	if d.More() {
		return &Refused{Text: "There is more than one JSON value in the body."}
	}
	return nil
}
