package page

import (
	"net/http"
	"unicode/utf8"

	"ebbline/ingest/journal"
)

// sensorsPage is what the broker brings: used, unused and refused.
type sensorsPage struct {
	Topics   []topicView
	Refusals []refusalView
	Used     []usedSensor
}

type topicView struct {
	journal.TopicSeen
	Text string
}

type refusalView struct {
	journal.RefusalSeen
	Text string
}

// usedSensor is a sensor of a running batch.
type usedSensor struct {
	Name, Batch, BatchID string
}

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
	batches, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var p sensorsPage
	for _, t := range topics {
		p.Topics = append(p.Topics, topicView{t, payloadText(t.Payload)})
	}
	for _, f := range refusals {
		if f.Sensor == "" {
			continue // a topic that no sensor listens to: listed above
		}
		p.Refusals = append(p.Refusals, refusalView{f, payloadText(f.Payload)})
	}
	for _, b := range batches {
		for _, name := range b.Sensors {
			if b.Ended == nil {
				p.Used = append(p.Used, usedSensor{name, b.Name, b.ID})
			}
		}
	}
	s.show(w, r, http.StatusOK, "sensors", frame{Title: "Sensors", Here: "sensors", Script: "live.js", Body: p})
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
