package page

import (
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// sensorChoice is a sensor that a batch has or could have.
type sensorChoice struct {
	Name string
	On   bool
	Last *time.Time // when it was last heard; nil: never
}

// freeSensors are the names that no running batch but this one has, in order:
// those that are defined, and those that a wildcard has made so far.
func (s *Server) freeSensors(r *http.Request, own journal.Batch) ([]sensorChoice, error) {
	batches, err := s.opts.Journal.Batches(r.Context())
	if err != nil {
		return nil, err
	}
	seen, err := s.opts.Journal.Seen(r.Context())
	if err != nil {
		return nil, err
	}
	heard := map[string]time.Time{}
	for _, q := range seen {
		if q.Last.Time.After(heard[q.Sensor]) {
			heard[q.Sensor] = q.Last.Time
		}
	}
	names := map[string]bool{}
	for _, k := range s.knownSensors() {
		if !strings.ContainsAny(k.Sensor.Topic, "+#") {
			names[k.Sensor.Name] = true
			continue
		}
		for name := range heard {
			names[name] = names[name] || strings.HasPrefix(name, k.Sensor.Name+"/")
		}
	}
	for _, n := range own.Sensors {
		names[n] = true
	}
	for _, b := range batches {
		if b.Ended != nil || b.ID == own.ID {
			continue
		}
		for _, n := range b.Sensors {
			delete(names, n)
		}
	}
	var out []sensorChoice
	for n, ok := range names {
		if !ok {
			continue
		}
		c := sensorChoice{Name: n}
		if at, ok := heard[n]; ok {
			c.Last = &at
		}
		out = append(out, c)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out, nil
}

func (s *Server) knownSensors() []KnownSensor {
	if s.opts.Sensors == nil {
		return nil
	}
	return s.opts.Sensors()
}

// sensorChoices are the check boxes of a batch's sensors; values are those that
// were ticked and sent, if any were.
func (s *Server) sensorChoices(r *http.Request, b journal.Batch, values map[string]string) ([]sensorChoice, error) {
	all, err := s.freeSensors(r, b)
	sent := values["sent"] != ""
	for i := range all {
		all[i].On = sent && slices.Contains(r.PostForm["sensor"], all[i].Name) || !sent && slices.Contains(b.Sensors, all[i].Name)
	}
	return all, err
}

func (s *Server) enterSensors(r *http.Request, st *status, in *input) error {
	names := in.form["sensor"]
	free, err := s.freeSensors(r, st.Batch)
	if err != nil {
		return err
	}
	for _, n := range names {
		if !slices.ContainsFunc(free, func(c sensorChoice) bool { return c.Name == n }) {
			in.fault("sensor", "%q is not a sensor that is free. Choose among these.", n)
		}
	}
	if slices.Equal(names, st.Batch.Sensors) && in.good() {
		in.fault("sensor", "Nothing is different: these are its sensors already.")
	}
	if !in.good() {
		return nil
	}
	return s.opts.Actions.SetSensors(r.Context(), st.Batch.ID, Swap{Time: in.now, Sensors: names, Key: in.text("key")})
}

// listens reports whether a known sensor listens to a topic.
func (s *Server) listens(topic string) bool {
	return slices.ContainsFunc(s.knownSensors(), func(k KnownSensor) bool {
		return k.Unused == "" && ingest.MatchTopic(k.Sensor.Topic, topic)
	})
}

// boxes are the check boxes of sensors as their template takes them.
type boxes struct {
	Legend, Error string
	Choices       []sensorChoice
}

// SensorBoxes are the sensors that the batch has and could have.
func (f form) SensorBoxes() boxes { return boxes{"Sensors", f.Errors["sensor"], f.Choices} }

// SensorBoxes are the sensors that a new batch could have.
func (f newBatch) SensorBoxes() boxes { return boxes{"Sensors", f.Errors["sensor"], f.Choices} }
