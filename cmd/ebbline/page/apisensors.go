package page

import (
	"net/http"
	"time"

	"ebbline/ingest"
)

// sensorInfo is one quantity of one sensor with its last reading.
type sensorInfo struct {
	Sensor   string    `json:"sensor"`
	Quantity string    `json:"quantity"`
	Value    float64   `json:"value"`
	Time     time.Time `json:"time"`
	Batch    *string   `json:"batch"`  // the running batch that has it
	Unused   *string   `json:"unused"` // why a temperature is not used
}

func (s *Server) apiSensors(w http.ResponseWriter, r *http.Request) {
	batches, err := s.opts.Journal.Batches(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	owner := map[string]*string{}
	for _, b := range batches {
		for _, name := range b.Sensors {
			if b.Ended == nil {
				owner[name] = &b.ID
			}
		}
	}
	seen, err := s.opts.Journal.Seen(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := []sensorInfo{}
	for _, q := range seen {
		i := sensorInfo{q.Sensor, string(q.Quantity), q.Last.Value, q.Last.Time, owner[q.Sensor], nil}
		if why := unusedWords(q.Last.Value, Units{}); q.Quantity == ingest.Temperature && why != "" {
			i.Unused = &why
		}
		out = append(out, i)
	}
	answerList(s, w, r, "sensors", out, func(q sensorInfo) string { return q.Sensor + "\x00" + q.Quantity })
}

// topicInfo is one of freeTopics.
type topicInfo struct {
	Topic   string    `json:"topic"`
	Payload string    `json:"payload"`
	Count   int64     `json:"count"`
	First   time.Time `json:"first"`
	Last    time.Time `json:"last"`
}

func (s *Server) apiTopics(w http.ResponseWriter, r *http.Request) {
	all, err := s.freeTopics(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := []topicInfo{}
	for _, t := range all {
		out = append(out, topicInfo{t.Topic, payloadText(t.Payload), t.Count, t.First, t.Last})
	}
	answerList(s, w, r, "topics", out, func(t topicInfo) string { return t.Topic })
}

// refusalInfo is the last message refused for one reason on one topic.
type refusalInfo struct {
	Topic   string    `json:"topic"`
	Sensor  string    `json:"sensor"`
	Reason  string    `json:"reason"`
	Detail  string    `json:"detail"`
	Payload string    `json:"payload"`
	Count   int64     `json:"count"`
	Last    time.Time `json:"last"`
}

func (s *Server) apiRefusals(w http.ResponseWriter, r *http.Request) {
	all, err := s.opts.Journal.Refusals(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := []refusalInfo{}
	for _, f := range all {
		out = append(out, refusalInfo{f.Topic, f.Sensor, string(f.Reason), f.Detail, payloadText(f.Payload), f.Count, f.Arrived})
	}
	answerList(s, w, r, "refusals", out, func(f refusalInfo) string { return f.Topic + "\x00" + f.Sensor + "\x00" + f.Reason })
}

func (s *Server) apiHealth(w http.ResponseWriter, r *http.Request) {
	items := s.health()
	if items == nil {
		items = []HealthItem{}
	}
	ok := true
	for _, h := range items {
		ok = ok && h.OK
	}
	s.answerJSON(w, r, http.StatusOK, map[string]any{"ok": ok, "items": items})
}
