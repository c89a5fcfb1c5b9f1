package page

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
)

// sensorsPage is what the broker brings: used, unused and refused.
type sensorsPage struct {
	Known    []sensorView
	Topics   []topicView
	Refusals []refusalView
	Done     string
	Looking  *Looking
}

type topicView struct {
	journal.TopicSeen
	Text   string
	Denied bool
}

// notAllowed is how ingest/broker calls what a client may not publish; it keeps
// no payload of it.
const notAllowed ingest.Reason = "topic-not-allowed"

type refusalView struct {
	journal.RefusalSeen
	Text string
}

// sensorView is a sensor with what it last gave and whose it is.
type sensorView struct {
	heardView
	Topic, Source, Unused string
	// Calibrate: it gives a tilt or a gravity that a calibration can improve.
	Calibrate  bool
	Calibrated string // by what, in words
	Beyond     string // why its gravity is a guess now
	// Made are the sensors that its wildcards have made, those heard last first;
	// Others counts those that are not listed.
	Made   []heardView
	Others int
}

// heardView is what a sensor last gave, and the running batch that has it.
type heardView struct {
	Name           string
	Batch, BatchID string
	Last           []string // of each quantity, in words
	Heard          *time.Time
	NotBeers       string // why its temperature is not used, and what to look for
}

// mostMade bounds the sensors that are listed of one with wildcards.
const mostMade = 20

func (s *Server) getSensors(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	topics, err := s.opts.Journal.UnassignedTopics(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	refusals, err := s.opts.Journal.Refusals(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := sensorsPage{Done: sensorDone(r.URL.Query().Get("done"))}
	if p.Known, err = s.sensorViews(ctx, s.unitsOf(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	if s.opts.Looking != nil {
		l := s.opts.Looking()
		p.Looking = &l
	}
	for _, t := range topics {
		if !s.listens(t.Topic) {
			p.Topics = append(p.Topics, topicView{t, payloadText(t.Payload), t.Reason == notAllowed})
		}
	}
	for _, f := range refusals {
		if f.Sensor == "" && (f.Reason != notAllowed || !s.listens(f.Topic)) {
			continue // a topic that no sensor listens to: listed above
		}
		p.Refusals = append(p.Refusals, refusalView{f, payloadText(f.Payload)})
	}
	s.show(w, r, http.StatusOK, "sensors", frame{Title: "Sensors", Here: "sensors", Script: "live.js", Body: p})
}

// freeTopics are the topics that a sensor could be made of: none listens to them,
// and who publishes there may. The others are refusals.
func (s *Server) freeTopics(ctx context.Context) ([]journal.TopicSeen, error) {
	all, err := s.opts.Journal.UnassignedTopics(ctx)
	return slices.DeleteFunc(all, func(t journal.TopicSeen) bool { return t.Reason == notAllowed || s.listens(t.Topic) }), err
}

// postLook listens to all topics for a while.
func (s *Server) postLook(w http.ResponseWriter, r *http.Request) {
	if err := s.opts.Actions.LookAround(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/sensors", http.StatusSeeOther)
}

func sensorDone(what string) string {
	return map[string]string{
		"defined":    "The sensor is defined: its next message is recorded.",
		"calibrated": "The calibration is used from the next message on. Earlier readings stay as they were recorded.",
		"withdrawn":  "The calibration is taken back: readings are as the sensor gives them, from the next message on.",
	}[what]
}

// sensorViews are the sensors that are defined, and those that a batch has
// without that anything defines them any more.
func (s *Server) sensorViews(ctx context.Context, u Units) ([]sensorView, error) {
	batches, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		return nil, err
	}
	heard, err := s.heardViews(ctx, batches, u)
	if err != nil {
		return nil, err
	}
	var out []sensorView
	have := map[string]bool{}
	add := func(name string, v sensorView) {
		v.heardView = heardView{Name: name}
		if h := heard[name]; h != nil {
			v.heardView = *h
		}
		have[name] = true
		out = append(out, v)
	}
	known := s.knownSensors()
	for _, k := range known {
		v := sensorView{Topic: k.Sensor.Topic, Source: k.Source, Unused: k.Unused}
		_, v.Calibrate = calibrable(k)
		if c := k.inForce(); c != nil {
			v.Calibrated = fmt.Sprintf("Calibrated %s from %d pairs", clock(c.At, s.opts.Now(), s.loc), len(c.Pairs))
			if k.Overruled {
				v.Calibrated += "; not used, for " + k.Source + " brings its own"
			}
			if v.Beyond, err = s.beyond(ctx, k, *c); err != nil {
				return nil, err
			}
		}
		if strings.ContainsAny(k.Sensor.Topic, "+#") {
			made := madeBy(k.Sensor.Name, heard)
			for _, m := range made {
				have[m.Name] = true
			}
			v.Made = made[:min(len(made), mostMade)]
			v.Others = len(made) - len(v.Made)
		}
		add(k.Sensor.Name, v)
	}
	for _, b := range batches {
		for _, n := range b.Sensors {
			if b.Ended == nil && !have[n] {
				add(n, sensorView{})
			}
		}
	}
	return out, nil
}

// heardViews are all sensors that have given something or that a running batch
// has, by name.
func (s *Server) heardViews(ctx context.Context, batches []journal.Batch, u Units) (map[string]*heardView, error) {
	seen, err := s.opts.Journal.Seen(ctx)
	if err != nil {
		return nil, err
	}
	heard := map[string]*heardView{}
	of := func(name string) *heardView {
		if heard[name] == nil {
			heard[name] = &heardView{Name: name}
		}
		return heard[name]
	}
	for _, q := range seen {
		h := of(q.Sensor)
		h.Last = append(h.Last, readingText(q.Quantity, q.Last.Value, u))
		if q.Quantity == ingest.Temperature {
			h.NotBeers = withAdvice(q.Last.Value, u)
		}
		if h.Heard == nil || q.Last.Time.After(*h.Heard) {
			h.Heard = &q.Last.Time
		}
	}
	for _, b := range batches {
		for _, n := range b.Sensors {
			if b.Ended == nil {
				h := of(n)
				h.Batch, h.BatchID = b.Name, b.ID
			}
		}
	}
	return heard, nil
}

// withAdvice is unusedWords with what to look for.
func withAdvice(celsius float64, u Units) string {
	switch why := unusedWords(celsius, u); {
	case why == "":
		return ""
	case celsius < projection.Coldest:
		return why + " Look whether it hangs in the cold air beside the beer, whether it is broken, and whether it sends °C as °F."
	default:
		return why + " Look whether it is in the beer, whether it is broken, and whether it sends °F as °C."
	}
}

// madeBy are the sensors that the wildcards of a sensor have made, those heard
// last first, and those that a batch waits for at the end.
func madeBy(name string, heard map[string]*heardView) []heardView {
	var made []heardView
	for n, h := range heard {
		if strings.HasPrefix(n, name+"/") {
			made = append(made, *h)
		}
	}
	at := func(h heardView) time.Time {
		if h.Heard == nil {
			return time.Time{}
		}
		return *h.Heard
	}
	slices.SortFunc(made, func(a, b heardView) int { return cmp.Or(at(b).Compare(at(a)), strings.Compare(a.Name, b.Name)) })
	return made
}

// readingText says one reading in words.
func readingText(q ingest.Quantity, v float64, u Units) string {
	switch q {
	case ingest.Gravity:
		return "gravity " + u.gravity(v)
	case ingest.Temperature:
		if !projection.BeersOwn(v) {
			return "temperature " + u.temperature(v) + ", not used"
		}
		return "temperature " + u.temperature(v)
	case ingest.Tilt:
		return "tilt " + minus(tenth(v)) + "°"
	case ingest.PH:
		return "pH " + abv(v)
	case ingest.Battery:
		if v <= 1 {
			return fmt.Sprintf("battery %.0f %%", v*100)
		}
		return "battery " + abv(v) + " V"
	}
	return string(q) + " " + trim(v)
}

// payloadText shows a payload to a person; bytes that are no text are said to
// be so.
func payloadText(b []byte) string {
	if len(b) == 0 {
		return "(empty)"
	}
	const most = 400
	cut := ""
	if len(b) > most {
		b, cut = b[:most], " …"
	}
	for len(b) > 0 && cut != "" && !utf8.Valid(b) && !utf8.RuneStart(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	if !utf8.Valid(b) {
		out := make([]rune, 0, len(b))
		for _, c := range b {
			if c < 0x20 || c > 0x7e {
				c = '.'
			}
			out = append(out, rune(c))
		}
		return "(not text) " + string(out) + cut
	}
	return string(b) + cut
}
