package config

import (
	"errors"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"ebbline/ingest"
	"ebbline/projection/gravity"
)

// sensors reads the list of sensors; ingest.Compile says what is wrong with
// it, and the places are found here.
func (r *reader) sensors(nodes []*yaml.Node) []ingest.Sensor {
	var all []ingest.Sensor
	var where []object
	var readings [][]object
	for _, n := range nodes {
		o := r.object(n, sensorKeys())
		s := ingest.Sensor{
			Name: o.text("name", ""), Topic: o.text("topic", ""), Time: o.text("time", ""),
			Format: o.text("format", ""), Text: o.flag("text"),
		}
		var places []object
		for _, item := range o.items("readings") {
			spec, place := r.reading(item)
			s.Readings = append(s.Readings, spec)
			places = append(places, place)
		}
		r.pointers(s, places)
		all, where, readings = append(all, s), append(where, o), append(readings, places)
	}
	_, err := ingest.Compile(all)
	var faults ingest.SpecErrors
	if !errors.As(err, &faults) {
		return all
	}
	for _, f := range faults {
		o := where[f.Index]
		if f.Reading >= 0 {
			o = readings[f.Index][f.Reading]
		}
		at := o.node
		if v := o.values[f.Field]; v != nil {
			at = v
		}
		if r.already(at) {
			continue
		}
		if f.Sensor == "" {
			r.fail(at, "sensor: %s: %s", f.Field, f.Text)
			continue
		}
		r.fail(at, "sensor %s: %s: %s", f.Sensor, f.Field, f.Text)
	}
	return all
}

// already reports whether a fault was told for this very place.
func (r *reader) already(n *yaml.Node) bool {
	return n.Kind == yaml.ScalarNode && slices.ContainsFunc(r.errs, func(e *Error) bool {
		return e.Line == n.Line && e.Column == n.Column
	})
}

func (r *reader) reading(n *yaml.Node) (ingest.ReadingSpec, object) {
	o := r.object(n, readingKeys())
	spec := ingest.ReadingSpec{
		Quantity: ingest.Quantity(o.text("quantity", "")),
		Record:   o.text("record", ""), Unit: o.text("unit", ""),
	}
	if p := o.get("pointer"); p != nil { // the empty pointer is a pointer
		spec.Pointer = p.Value
		if p.Kind != yaml.ScalarNode {
			r.fail(p, "pointer: text is needed here, such as /g")
		}
	}
	if o.get("calibrated_at") != nil {
		t := in(o, "calibrated_at", r.celsius)
		spec.CalibratedAt = &t
	}
	if e := o.get("expansion"); e != nil {
		spec.Expansion, _ = r.number(e, "expansion")
	}
	for _, c := range o.items("calibration") {
		x, _ := r.number(c, "calibration")
		spec.Calibration = append(spec.Calibration, x)
	}
	return spec, o
}

// pointers refuses a reading without one beside others: the bare number that
// the empty pointer takes leaves room for no second quantity.
func (r *reader) pointers(s ingest.Sensor, places []object) {
	if s.Format != ingest.PlainFormat || len(places) < 2 {
		return
	}
	for _, o := range places {
		if o.values["pointer"] == nil && o.node.Kind == yaml.MappingNode {
			r.fail(o.node, "reading: pointer is missing; where in the payload the value stands, such as pointer: /g")
		}
	}
}

// Defined reports whether a sensor of this name exists.
type Defined func(name string) bool

// Names makes a Defined of a list of sensors. A sensor with a wildcard defines
// every name below its own.
func Names(sensors []ingest.Sensor) Defined {
	return func(name string) bool {
		return slices.ContainsFunc(sensors, func(s ingest.Sensor) bool {
			if strings.ContainsAny(s.Topic, "+#") {
				return strings.HasPrefix(name, s.Name+"/")
			}
			return s.Name == name
		})
	}
}

// sensorSpec is how a sensor stands in the record, in the words of a
// configuration file.
type sensorSpec struct {
	Name     string        `json:"name"`
	Topic    string        `json:"topic"`
	Time     string        `json:"time,omitempty"`
	Format   string        `json:"format,omitempty"`
	Text     bool          `json:"text,omitempty"`
	Readings []readingSpec `json:"readings"`
}

type readingSpec struct {
	Quantity     ingest.Quantity `json:"quantity"`
	Pointer      *string         `json:"pointer,omitempty"`
	Record       string          `json:"record,omitempty"`
	Unit         string          `json:"unit,omitempty"`
	CalibratedAt string          `json:"calibrated_at,omitempty"`
	Expansion    float64         `json:"expansion,omitempty"`
	Calibration  []float64       `json:"calibration,omitempty"`
}

func sensorSpecs(sensors []ingest.Sensor) []sensorSpec {
	var all []sensorSpec
	for _, s := range sensors {
		one := sensorSpec{Name: s.Name, Topic: s.Topic, Time: s.Time, Format: s.Format, Text: s.Text}
		for _, r := range s.Readings {
			rs := readingSpec{Quantity: r.Quantity, Record: r.Record, Unit: r.Unit, Expansion: r.Expansion, Calibration: r.Calibration}
			if s.Format != ingest.SenMLFormat {
				rs.Pointer = &r.Pointer
			}
			rs.CalibratedAt = celsiusText(r.CalibratedAt)
			one.Readings = append(one.Readings, rs)
		}
		all = append(all, one)
	}
	return all
}

// celsiusText writes a temperature as a file would, "" for none.
func celsiusText(t *gravity.Celsius) string {
	if t == nil {
		return ""
	}
	return numberText(float64(*t)) + " Cel"
}
