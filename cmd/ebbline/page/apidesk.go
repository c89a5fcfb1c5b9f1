package page

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// What the page's desk does, for scripts: the plan, quiet hours, channels, the
// look around, sensors and their calibrations.

func (s *Server) deskAPIRoutes() []route {
	return []route{
		{"POST /api/v1/plan", reader, s.apiPlan},
		{"GET /api/v1/quiet", reader, s.apiQuiet},
		{"PUT /api/v1/quiet", writer, s.apiSetQuiet},
		{"DELETE /api/v1/quiet", writer, s.apiNoQuiet},
		{"GET /api/v1/channels", reader, s.apiChannels},
		{"POST /api/v1/channels/{name}/test", writer, s.apiTryChannel},
		{"GET /api/v1/look-around", reader, s.apiLooking},
		{"POST /api/v1/look-around", writer, s.apiLook},
		{"POST /api/v1/clock-is-right", writer, s.apiPutRight},
		{"GET /api/v1/definitions", reader, s.apiDefinitions},
		{"PUT /api/v1/definitions/{name}", writer, s.apiDefine},
		{"GET /api/v1/calibrations", reader, s.apiCalibrations},
		{"POST /api/v1/calibrations", writer, s.apiCalibrate},
		{"POST /api/v1/calibrations/fit", reader, s.apiFit},
		{"DELETE /api/v1/calibrations", writer, s.apiWithdraw},
	}
}

// planAsk is what a script asks of the plan; units as in the field's names.
type planAsk struct {
	OriginalGravity float64  `json:"original_gravity"` // SG
	Ceiling         string   `json:"ceiling"`          // "0.5", "< 0.5"
	Rule            string   `json:"abv_rule"`
	Volume          float64  `json:"volume_litres"`
	Yeast           string   `json:"yeast"`
	Temperature     *float64 `json:"temperature"` // °C
	CrashTo         *float64 `json:"crash_to"`    // °C
	TimeConstant    float64  `json:"time_constant_hours"`
	Risk            float64  `json:"risk"`
}

func (a planAsk) request() (PlanRequest, error) {
	q := PlanRequest{
		OriginalGravity: gravity.SG(a.OriginalGravity), Volume: 19, Yeast: projection.StandardYeast, Temperature: 20, CrashTo: 2,
		TimeConstant: 5 * time.Hour, Risk: 0.05,
	}
	var err error
	if q.Ceiling, err = gravity.ParseCeiling(a.Ceiling); err != nil {
		return q, &Refused{Field: "ceiling", Text: err.Error()}
	}
	q.Rule = gravity.Balling
	if a.Rule != "" {
		if q.Rule, err = gravity.ParseRule(a.Rule); err != nil {
			return q, &Refused{Field: "abv_rule", Text: err.Error()}
		}
	}
	if a.Yeast != "" {
		q.Yeast = projection.Yeast(a.Yeast)
	}
	if a.Temperature != nil {
		q.Temperature = gravity.Celsius(*a.Temperature)
	}
	if a.CrashTo != nil {
		q.CrashTo = gravity.Celsius(*a.CrashTo)
	}
	if a.Volume != 0 {
		q.Volume = gravity.Litres(a.Volume)
	}
	if a.TimeConstant != 0 {
		q.TimeConstant = time.Duration(a.TimeConstant * float64(time.Hour))
	}
	if a.Risk != 0 {
		q.Risk = a.Risk
	}
	switch {
	case !(q.OriginalGravity > 1.001 && q.OriginalGravity <= 1.2):
		return q, &Refused{Field: "original_gravity", Text: "want an SG above 1.001 and up to 1.2"}
	case q.Yeast != projection.StandardYeast && q.Yeast != projection.MaltoseNegative:
		return q, &Refused{Field: "yeast", Text: "want standard or maltose-negative"}
	case !(q.Volume > 0):
		return q, &Refused{Field: "volume_litres", Text: "want more than 0"}
	case !(q.Temperature >= 4 && q.Temperature <= 40):
		return q, &Refused{Field: "temperature", Text: "want °C from 4 to 40"}
	case !(q.CrashTo >= -5 && q.CrashTo < q.Temperature):
		return q, &Refused{Field: "crash_to", Text: "want °C from -5 to below the temperature of the beer"}
	case q.TimeConstant < 6*time.Minute || q.TimeConstant > 72*time.Hour:
		return q, &Refused{Field: "time_constant_hours", Text: "want hours from 0.1 to 72"}
	case !(q.Risk >= 0.001 && q.Risk <= 0.5):
		return q, &Refused{Field: "risk", Text: "want a probability from 0.001 to 0.5"}
	}
	return q, nil
}

func (s *Server) apiPlan(w http.ResponseWriter, r *http.Request) {
	var ask planAsk
	err := body(r, &ask)
	var q PlanRequest
	if err == nil {
		q, err = ask.request()
	}
	if err == nil && s.opts.Plan == nil {
		err = &Refused{Text: "This ebbline makes no plans."}
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.opts.Plan(q)
	if err != nil {
		s.fail(w, r, &Refused{Text: err.Error()})
		return
	}
	warnings := p.Warnings
	if warnings == nil {
		warnings = []string{}
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{
		"target_gravity": p.Target, "stop_at": p.StopAt, "crash_at": p.CrashAt, "margin_points": p.MarginPoints,
		"lead_hours": p.Lead, "days_to_crash": p.Days, "warnings": warnings, "cautions": gravity.Cautions(gravity.Planning),
	})
}

func (s *Server) apiQuiet(w http.ResponseWriter, r *http.Request) {
	var q QuietState
	if s.opts.Quiet != nil {
		q = s.opts.Quiet()
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"hours": q.Hours, "fixed": q.Fixed})
}

func (s *Server) apiSetQuiet(w http.ResponseWriter, r *http.Request) {
	var q Quiet
	err := body(r, &q)
	if err == nil {
		err = s.quietFixed()
	}
	for _, one := range []struct{ name, text string }{{"from", q.From}, {"to", q.To}} {
		if t, wrong := time.Parse("15:04", one.text); err == nil && (wrong != nil || t.Format("15:04") != one.text) {
			err = &Refused{Field: one.name, Text: "want a time of day such as 22:30"}
		}
	}
	if err == nil && q.From == q.To {
		err = &Refused{Field: "to", Text: "want another time than from"}
	}
	if err == nil {
		err = s.opts.Actions.SetQuiet(r.Context(), &q)
	}
	s.answerDone(w, r, err)
}

func (s *Server) apiNoQuiet(w http.ResponseWriter, r *http.Request) {
	err := s.quietFixed()
	if err == nil {
		err = s.opts.Actions.SetQuiet(r.Context(), nil)
	}
	s.answerDone(w, r, err)
}

func (s *Server) quietFixed() error {
	if s.opts.Quiet != nil && s.opts.Quiet().Fixed {
		return &Refused{Text: "The configuration sets the quiet hours. Change them there."}
	}
	return nil
}

// channelInfo is a channel as the API shows it.
type channelInfo struct {
	Name         string     `json:"name"`
	LastSuccess  *time.Time `json:"last_success"`
	LastFailure  *time.Time `json:"last_failure"`
	LastError    string     `json:"last_error"`
	FailingSince *time.Time `json:"failing_since"`
	Held         int        `json:"held"`
}

// given is a time that is known; nil for none.
func given(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (s *Server) channels() []ChannelState {
	if s.opts.Channels == nil {
		return nil
	}
	return s.opts.Channels()
}

func (s *Server) apiChannels(w http.ResponseWriter, r *http.Request) {
	var out []channelInfo
	for _, c := range s.channels() {
		out = append(out, channelInfo{c.Name, given(c.LastSuccess), given(c.LastFailure), c.LastError, given(c.FailingSince), c.Held})
	}
	answerList(s, w, r, "channels", out, func(c channelInfo) string { return c.Name })
}

// apiTryChannel sends a test; that it failed is an answer of the channel, 502.
func (s *Server) apiTryChannel(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !slices.ContainsFunc(s.channels(), func(c ChannelState) bool { return c.Name == name }) {
		s.missing(w, r, "There is no channel of this name. GET /api/v1/channels lists all there are.")
		return
	}
	err := s.opts.Actions.TryChannel(r.Context(), name)
	var refused *Refused
	if err != nil && !errors.As(err, &refused) {
		s.problem(w, r, http.StatusBadGateway, "The channel did not take it", err.Error())
		return
	}
	s.answerDone(w, r, err)
}

func (s *Server) apiLooking(w http.ResponseWriter, r *http.Request) {
	var l Looking
	if s.opts.Looking != nil {
		l = s.opts.Looking()
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"needed": l.Needed, "seconds_left": int(l.Left.Seconds())})
}

func (s *Server) apiLook(w http.ResponseWriter, r *http.Request) {
	s.answerDone(w, r, s.opts.Actions.LookAround(r.Context()))
}

func (s *Server) apiPutRight(w http.ResponseWriter, r *http.Request) {
	s.answerDone(w, r, s.opts.Actions.PutRight(r.Context()))
}

// readingSpec and definition spell a sensor as configuration and batch files do.
type (
	readingSpec struct {
		Quantity     string    `json:"quantity"`
		Pointer      *string   `json:"pointer,omitempty"`
		Record       string    `json:"record,omitempty"`
		Unit         string    `json:"unit,omitempty"`
		CalibratedAt *float64  `json:"calibrated_at,omitempty"` // °C
		Expansion    float64   `json:"expansion,omitempty"`     // per kelvin
		Calibration  []float64 `json:"calibration,omitempty"`
	}
	definition struct {
		Name     string        `json:"name"`
		Topic    string        `json:"topic"`
		Time     string        `json:"time,omitempty"`
		Format   string        `json:"format,omitempty"`
		Text     bool          `json:"text,omitempty"`
		Readings []readingSpec `json:"readings"`
		Source   string        `json:"source,omitempty"`
		Unused   string        `json:"unused,omitempty"`
	}
)

func definitionOf(k KnownSensor) definition {
	d := definition{Name: k.Sensor.Name, Topic: k.Sensor.Topic, Time: k.Sensor.Time, Format: k.Sensor.Format, Text: k.Sensor.Text, Source: k.Source, Unused: k.Unused, Readings: []readingSpec{}}
	for _, r := range k.Sensor.Readings {
		one := readingSpec{Quantity: string(r.Quantity), Record: r.Record, Unit: r.Unit, Expansion: r.Expansion, Calibration: r.Calibration}
		if k.Sensor.Format == ingest.PlainFormat {
			one.Pointer = &r.Pointer
		}
		if r.CalibratedAt != nil {
			at := float64(*r.CalibratedAt)
			one.CalibratedAt = &at
		}
		d.Readings = append(d.Readings, one)
	}
	return d
}

func (d definition) sensor() ingest.Sensor {
	out := ingest.Sensor{Name: d.Name, Topic: d.Topic, Time: d.Time, Format: d.Format, Text: d.Text}
	for _, r := range d.Readings {
		one := ingest.ReadingSpec{Quantity: ingest.Quantity(r.Quantity), Record: r.Record, Unit: r.Unit, Expansion: r.Expansion, Calibration: r.Calibration}
		if r.Pointer != nil {
			one.Pointer = *r.Pointer
		}
		if r.CalibratedAt != nil {
			at := gravity.Celsius(*r.CalibratedAt)
			one.CalibratedAt = &at
		}
		out.Readings = append(out.Readings, one)
	}
	return out
}

func (s *Server) apiDefinitions(w http.ResponseWriter, r *http.Request) {
	var out []definition
	for _, k := range s.knownSensors() {
		out = append(out, definitionOf(k))
	}
	answerList(s, w, r, "definitions", out, func(d definition) string { return d.Name })
}

func (s *Server) apiDefine(w http.ResponseWriter, r *http.Request) {
	var d definition
	err := body(r, &d)
	name := r.PathValue("name")
	switch {
	case err != nil:
	case d.Source != "" || d.Unused != "":
		err = &Refused{Text: "source and unused are told, not set: leave them out"}
	case d.Name != "" && d.Name != name:
		err = &Refused{Field: "name", Text: "want the name of the path, or none"}
	default:
		d.Name = name
		if _, wrong := ingest.Compile([]ingest.Sensor{d.sensor()}); wrong != nil {
			err = definitionFault(wrong)
			break
		}
		err = s.opts.Actions.DefineSensor(r.Context(), d.sensor())
	}
	s.answerDone(w, r, err)
}

func definitionFault(err error) error {
	var all ingest.SpecErrors
	if !errors.As(err, &all) {
		return &Refused{Text: err.Error()}
	}
	return &Refused{Field: all[0].Field, Text: all[0].Text}
}
