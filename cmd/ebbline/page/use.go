package page

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// usePage makes a sensor of a topic: which number is what, in which unit.
type usePage struct {
	sheet
	Topic string
	Rows  []leafRow
	// Why says that nothing can be read from the payload.
	Why, Payload string
	Heard        time.Time
	Preview      preview
	Batches      []choice
}

// leafRow is one number of the payload and what it is.
type leafRow struct {
	Field, Place, Text string // Place is the pointer or the record's name
	Means              []choiceGroup
	Known              bool
}

type choiceGroup struct {
	Label   string
	Choices []choice
}

// preview is what the sensor would have recorded of the last message.
type preview struct {
	Lines, Faults []string
	Heard         time.Time
}

// topicSeen is the topic that nobody listens to, or answers that there is none.
func (s *Server) topicSeen(w http.ResponseWriter, r *http.Request, topic string) (journal.TopicSeen, bool) {
	all, err := s.opts.Journal.UnassignedTopics(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return journal.TopicSeen{}, false
	}
	i := slices.IndexFunc(all, func(t journal.TopicSeen) bool { return t.Topic == topic && t.Reason != notAllowed })
	if i < 0 {
		s.missing(w, r, "Nothing was heard on this topic, or a sensor listens to it already. The list of sensors says which.")
		return journal.TopicSeen{}, false
	}
	return all[i], true
}

func (s *Server) getUse(w http.ResponseWriter, r *http.Request) {
	t, ok := s.topicSeen(w, r, r.URL.Query().Get("topic"))
	if !ok {
		return
	}
	leaves, format, _ := ingest.Leaves(t.Payload)
	f := sheet{Values: map[string]string{"name": proposedName(t.Topic), "format": format}, Key: secret(12), Units: s.unitsOf(r)}
	for i, g := range guesses(leaves) {
		f.Values["as."+strconv.Itoa(i)] = g
	}
	waiting, err := s.waiting(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f.Values["batch"] = waiting
	s.showUse(w, r, http.StatusOK, t, f, nil)
}

// waiting is the choice of the one running batch that has no sensor; "" if there
// is none, or more than one.
func (s *Server) waiting(r *http.Request) (string, error) {
	batches, err := s.opts.Journal.Batches(r.Context())
	if err != nil {
		return "", err
	}
	out := ""
	for _, b := range batches {
		if b.Ended != nil || len(b.Sensors) > 0 {
			continue
		}
		if out != "" {
			return "", nil
		}
		out = "add " + b.ID
	}
	return out, nil
}

// proposedName is the last part of a topic that says something.
func proposedName(topic string) string {
	parts := strings.Split(topic, "/")
	for _, p := range slices.Backward(parts) {
		if p = strings.TrimSpace(p); p != "" && len(p) <= 60 {
			return p
		}
	}
	return ""
}

func (s *Server) showUse(w http.ResponseWriter, r *http.Request, code int, t journal.TopicSeen, f sheet, scaleAt *gravity.Celsius) {
	leaves, format, why := ingest.Leaves(t.Payload)
	p := usePage{sheet: f, Topic: t.Topic, Why: why, Payload: payloadText(t.Payload), Heard: t.Last}
	for i, l := range leaves {
		name := strconv.Itoa(i)
		row := leafRow{Field: name, Place: l.Pointer + l.Record, Text: l.Text, Means: meanings(l, f.Values["as."+name])}
		if row.Place == "" {
			row.Place = "the whole message"
		}
		row.Known = f.Values["as."+name] != ""
		p.Rows = append(p.Rows, row)
	}
	sensor, _ := useSensor(t, leaves, format, f.Values, scaleAt)
	p.Preview = s.previewed(sensor, t, f.Units)
	batches, err := s.opts.Journal.Batches(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	for _, b := range batches {
		if b.Ended != nil {
			continue
		}
		add := choice{"add " + b.ID, b.Name, f.Is("batch", "add "+b.ID)}
		if len(b.Sensors) > 0 {
			add.Text += ", besides " + strings.Join(b.Sensors, ", ")
			p.Batches = append(p.Batches, choice{"swap " + b.ID, b.Name + ", instead of " + strings.Join(b.Sensors, ", "), f.Is("batch", "swap "+b.ID)})
		}
		p.Batches = append(p.Batches, add)
	}
	s.show(w, r, code, "use", frame{Title: "Use " + t.Topic, Here: "sensors", Script: "forms.js", Body: p})
}

// scaleOf is the temperature that a float's scale was made for, if it does not
// correct itself; nil: it does.
func (in *input) scaleOf() *gravity.Celsius {
	t := in.celsius("scale", 0, 40)
	if t == nil {
		return nil
	}
	c := gravity.Celsius(*t)
	return &c
}

// useSensor is the sensor that the choices make; the text is a fault of them.
func useSensor(t journal.TopicSeen, leaves []ingest.Leaf, format string, values map[string]string, scaleAt *gravity.Celsius) (ingest.Sensor, string) {
	out := ingest.Sensor{Name: strings.TrimSpace(values["name"]), Topic: t.Topic, Format: format}
	for i, l := range leaves {
		as := values["as."+strconv.Itoa(i)]
		if as == "" {
			continue
		}
		out.Text = out.Text || l.InText
		if as == clockMeaning {
			if out.Time != "" {
				return out, "Two numbers are said to be the time of the device. Choose one."
			}
			out.Time = l.Pointer
			continue
		}
		q, unit, _ := strings.Cut(as, " ")
		one := ingest.ReadingSpec{Quantity: ingest.Quantity(q), Unit: unit, Pointer: l.Pointer, Record: l.Record}
		if one.Quantity == ingest.Gravity {
			one.CalibratedAt = scaleAt
		}
		out.Readings = append(out.Readings, one)
	}
	if len(out.Readings) == 0 {
		return out, "Say of at least one number what it is."
	}
	return out, ""
}

// previewed is what the mapper makes of the last message.
func (s *Server) previewed(sensor ingest.Sensor, t journal.TopicSeen, u Units) preview {
	p := preview{Heard: t.Last}
	if sensor.Name == "" {
		sensor.Name = "sensor"
	}
	m, err := ingest.Compile([]ingest.Sensor{sensor})
	if err != nil {
		if len(sensor.Readings) > 0 {
			p.Faults = specFaults(err)
		}
		return p
	}
	readings, refusals := m.Decode(ingest.Message{Topic: t.Topic, Payload: t.Payload, Arrived: t.Last})
	for _, r := range readings {
		p.Lines = append(p.Lines, readingText(r.Quantity, r.Value, u))
		if r.DeviceTime {
			p.Heard = r.Time
		}
	}
	for _, f := range refusals {
		p.Faults = append(p.Faults, f.Detail)
	}
	if looksLikeSG(sensor, readings) {
		p.Faults = append(p.Faults, "That is hardly more than water. A number a little above 1 is most likely specific gravity: choose SG.")
	}
	for _, r := range sensor.Readings {
		if r.Quantity == ingest.Tilt && !gives(sensor, ingest.Gravity) {
			p.Lines = append(p.Lines, "no gravity yet: a tilt becomes one when the float is calibrated, which comes next")
		}
	}
	return p
}

// looksLikeSG reports whether a gravity read in degrees of extract is so low that
// its number must be specific gravity: 0.98 to 1.2 °P is 1.0038 to 1.0047.
func looksLikeSG(sensor ingest.Sensor, readings []ingest.Reading) bool {
	inDegrees := slices.ContainsFunc(sensor.Readings, func(r ingest.ReadingSpec) bool {
		return r.Quantity == ingest.Gravity && (r.Unit == "plato" || r.Unit == "brix")
	})
	return inDegrees && slices.ContainsFunc(readings, func(r ingest.Reading) bool {
		return r.Quantity == ingest.Gravity && r.Value > 1.0037 && r.Value < 1.0048
	})
}

// specFaults are what is wrong with a sensor, without its name and number.
func specFaults(err error) []string {
	var all ingest.SpecErrors
	if !errors.As(err, &all) {
		return []string{err.Error()}
	}
	var out []string
	for _, e := range all {
		out = append(out, firstUpper(e.Text)+".")
	}
	return out
}

func (s *Server) postUse(w http.ResponseWriter, r *http.Request) {
	in, ok := s.readInput(w, r, time.Time{})
	if !ok {
		return
	}
	t, ok := s.topicSeen(w, r, in.text("topic"))
	if !ok {
		return
	}
	scaleAt := in.scaleOf()
	if in.text("do") == "show" {
		s.showUse(w, r, http.StatusOK, t, in.sheet(), scaleAt)
		return
	}
	to, err := s.defineTyped(r, in, t, scaleAt)
	s.settle(w, r, in, err, to, func() { s.showUse(w, r, http.StatusUnprocessableEntity, t, in.sheet(), scaleAt) })
}

// defineTyped defines the sensor and gives it to its batch; it returns where to
// go on.
func (s *Server) defineTyped(r *http.Request, in *input, t journal.TopicSeen, scaleAt *gravity.Celsius) (string, error) {
	leaves, format, why := ingest.Leaves(t.Payload)
	sensor, fault := useSensor(t, leaves, format, in.sheet().Values, scaleAt)
	switch {
	case why != "":
		in.fault("", "Nothing can be read from the last message: %s.", why)
	case len(leaves) != leafCount(in):
		in.fault("", "Meanwhile a message of another shape has come. Look at the numbers again.")
	case fault != "":
		in.fault("", "%s", fault)
	}
	in.need("name", "Give the sensor a name, such as float-2.")
	if !in.good() {
		return "", nil
	}
	if _, err := ingest.Compile([]ingest.Sensor{sensor}); err != nil {
		in.fault("", "%s", strings.Join(specFaults(err), " "))
		return "", nil
	}
	how, id, give := strings.Cut(in.text("batch"), " ")
	var b journal.Batch
	if give {
		var err error
		if b, err = s.opts.Journal.Batch(r.Context(), id); err != nil {
			return "", err
		}
		if b.Ended != nil || how != "add" && how != "swap" {
			return "", &Refused{Field: "batch", Text: fmt.Sprintf("%s is packaged. Choose another batch, or none.", b.Name)}
		}
	}
	if err := s.opts.Actions.DefineSensor(r.Context(), sensor); err != nil {
		return "", err
	}
	if give {
		names := []string{sensor.Name}
		if how == "add" && !slices.Contains(b.Sensors, sensor.Name) {
			names = append(slices.Clone(b.Sensors), sensor.Name)
		}
		if err := s.opts.Actions.SetSensors(r.Context(), id, Swap{Time: in.now, Sensors: names, Key: keyed(in.text("key"), "sensors")}); err != nil {
			return "", err
		}
	}
	if gives(sensor, ingest.Tilt) && !gives(sensor, ingest.Gravity) {
		return "/sensors/calibrate?sensor=" + escape(sensor.Name), nil
	}
	if give {
		return "/batch/" + escapePath(id) + "?done=sensors", nil
	}
	return "/sensors?done=defined", nil
}

// leafCount is how many numbers the form that was sent has shown.
func leafCount(in *input) int {
	n := 0
	for k := range in.form {
		if strings.HasPrefix(k, "as.") {
			n++
		}
	}
	return n
}

// gives reports whether a sensor's payload holds a quantity.
func gives(s ingest.Sensor, q ingest.Quantity) bool {
	return slices.ContainsFunc(s.Readings, func(r ingest.ReadingSpec) bool { return r.Quantity == q })
}
