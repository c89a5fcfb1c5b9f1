package ingest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/projection/gravity"
)

// refusedBytes is how much of a refused payload is kept for viewing.
const refusedBytes = 1 << 10

// Decode turns a message into the readings of all sensors that listen to its
// topic, and says what it refused. One bad value does not lose its neighbours.
// A retained message gives no readings; what the daemon publishes itself gives
// nothing at all.
func (m *Mapper) Decode(msg Message) ([]Reading, []Refusal) {
	return m.decode(msg, true)
}

// LastKnown is Decode for a retained message that may seed what was last known:
// it gives the readings that the message would be if it were live, and is not
// remembered. They are old: never treat them as live.
func (m *Mapper) LastKnown(msg Message) ([]Reading, []Refusal) {
	return m.decode(msg, false)
}

func (m *Mapper) decode(msg Message, live bool) ([]Reading, []Refusal) {
	if Own(msg.Topic) {
		return nil, nil
	}
	d := decoding{mapper: m, msg: msg, live: live}
	d.listeners()
	switch {
	case len(d.hits) == 0:
		if len(d.refusals) == 0 {
			d.refuse("", UnknownTopic, "no sensor listens to %q; assign the topic to a sensor", short([]byte(msg.Topic)))
		}
		return nil, d.refusals
	case msg.Retained && live:
		d.refuse(d.hits[0].name, RetainedMessage, "the broker replayed a kept message; publish readings without the retain flag")
		return nil, d.refusals
	}
	doc, reason, detail := readJSON(msg.Payload)
	if reason != "" {
		d.refuse(d.hits[0].name, reason, "%s", detail)
		return nil, d.refusals
	}
	for _, h := range d.hits {
		d.values = d.values[:0]
		if h.Format == SenMLFormat {
			d.senml(h, doc)
		} else {
			d.plain(h, doc)
		}
		before := len(d.readings)
		d.emit(h)
		if d.made(h, before) && h.wantsTemperature && d.live {
			d.remember(h)
		}
	}
	return d.readings, d.refusals
}

// decoding is one message on its way.
type decoding struct {
	mapper   *Mapper
	msg      Message
	live     bool
	hits     []hit
	values   []value
	readings []Reading
	refusals []Refusal
	kept     []byte // of the payload, for all refusals of the message
}

// hit is a sensor that listens to the topic, under the name it has there.
type hit struct {
	*compiled
	name string
}

// value is a number in the quantity's own unit, not yet corrected.
type value struct {
	spec   *compiledReading
	v      float64
	unit   string          // of the payload
	raw    json.RawMessage // as it stood in the payload
	time   time.Time
	device bool
}

// text is the value and its unit as a person would write it.
func (v value) text() string { return short(v.raw) + " " + v.unit }

// listeners finds the sensors of the topic.
func (d *decoding) listeners() {
	m := d.mapper
	for _, i := range m.exact[d.msg.Topic] {
		d.hits = append(d.hits, hit{&m.sensors[i], m.sensors[i].Name})
	}
	for _, i := range m.wild {
		matched, ok := matchTopic(m.sensors[i].Topic, d.msg.Topic)
		if !ok {
			continue
		}
		name := m.sensors[i].Name + matched
		if why := badName(name); why != "" {
			d.refuse(m.sensors[i].Name, BadTopic, "the topic cannot name a sensor: %s", why)
			continue
		}
		d.hits = append(d.hits, hit{&m.sensors[i], name})
	}
}

func (d *decoding) refuse(sensor string, r Reason, format string, args ...any) {
	if d.kept == nil {
		d.kept = bytes.Clone(d.msg.Payload[:min(len(d.msg.Payload), refusedBytes)])
	}
	d.refusals = append(d.refusals, Refusal{
		Topic: d.msg.Topic, Sensor: sensor, Reason: r, Detail: fmt.Sprintf(format, args...),
		Payload: d.kept, Arrived: d.msg.Arrived,
		Kept: r == BadTime || r == ClockWrong,
	})
}

// plain reads the values of a payload of JSON or a bare number.
func (d *decoding) plain(h hit, doc []byte) {
	at, device := d.clock(h, doc)
	nowhere := ""
	for i := range h.readings {
		spec := &h.readings[i]
		raw, reason := spec.at.find(doc)
		switch reason {
		case "":
			d.take(h, spec, raw, spec.Unit, 0, at, device)
		case NoSuchValue:
			if nowhere == "" {
				nowhere = missing(h, doc)
			}
			d.refuse(h.name, reason, "%s", nowhere)
		default:
			d.refuse(h.name, reason, "%s: %s", spec.Quantity, absent(spec.Pointer, reason))
		}
	}
}

// take reads one JSON value in the given unit, adding base to it first.
func (d *decoding) take(h hit, spec *compiledReading, raw json.RawMessage, unit string, base float64, at time.Time, device bool) {
	x, reason := number(raw, h.Text)
	if reason != "" {
		d.refuse(h.name, reason, "%s: %s %s", spec.Quantity, short(raw), notNumber(reason, raw))
		return
	}
	d.values = append(d.values, value{spec: spec, v: convert(unit, x+base), unit: unit, raw: raw, time: at, device: device})
}

func notNumber(r Reason, raw json.RawMessage) string {
	switch r {
	case NullValue:
		return "sets nothing"
	case TextNumber:
		return "is a number in a string; set text: true on the sensor to accept it"
	case NotFinite:
		return "is not a finite number"
	}
	if text, ok := jsonText(raw); ok {
		if text = strings.TrimSpace(text); text != "" && decimalComma.FindString(text) == text {
			return "is not a number; write decimals with a point"
		}
	}
	return "is not a number"
}

// emit corrects the values of one sensor, checks that they are plausible, and
// makes readings of them.
func (d *decoding) emit(h hit) {
	d.readings = slices.Grow(d.readings, len(d.values))
	for _, v := range d.values {
		if !d.plausible(h, v, v.spec.Quantity, v.v) {
			continue
		}
		switch {
		case v.spec.Quantity == Gravity && len(v.spec.Calibration) > 0:
			d.gravity(h, v, polynomial(v.spec.Calibration, v.v))
		case v.spec.Quantity == Gravity:
			d.gravity(h, v, v.v)
		case v.spec.Quantity == Tilt && len(v.spec.Calibration) > 0:
			d.reading(h, v, Tilt, v.v, false)
			d.gravity(h, v, polynomial(v.spec.Calibration, v.v))
		default:
			d.reading(h, v, v.spec.Quantity, v.v, false)
		}
	}
}

// gravity emits a gravity, corrected for temperature if the float needs it.
func (d *decoding) gravity(h hit, v value, sg float64) {
	uncorrected := false
	if v.spec.CalibratedAt != nil {
		t, ok := d.warmthAt(h, v.time)
		if ok {
			sg = float64(gravity.Correct(gravity.SG(sg), t, *v.spec.CalibratedAt, v.spec.Expansion))
		}
		uncorrected = !ok
	}
	if d.plausible(h, v, Gravity, sg) {
		d.reading(h, v, Gravity, sg, uncorrected)
		d.readings[len(d.readings)-1].Repeated = d.mapper.repeats(h.name+" "+string(v.spec.Quantity), v.v)
	}
}

func (d *decoding) plausible(h hit, v value, q Quantity, x float64) bool {
	if inRange(q, v.unit, x) {
		return true
	}
	d.refuse(h.name, OutOfRange, "%s: %s", q, whyOut(v, q, x))
	return false
}

func (d *decoding) reading(h hit, v value, q Quantity, x float64, uncorrected bool) {
	d.readings = append(d.readings, Reading{
		Sensor: h.name, Quantity: q, Time: v.time, Arrived: d.msg.Arrived, Value: x,
		DeviceTime: v.device, Redelivered: d.msg.Duplicate, Uncorrected: uncorrected,
	})
}
