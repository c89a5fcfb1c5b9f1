package ingest

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// SenML (RFC 8428) in JSON. Ours because no library of it could be had: a pack
// is an array of small objects, and one bad record must not lose the others.

// senmlVersion is the version of RFC 8428, the highest that is understood (§4.4).
const senmlVersion = 10

// relativeBelow: times below it are seconds from now, others Unix seconds (§4.5.3).
const relativeBelow = 1 << 28

// record is one record of a pack, resolved (§4.6): base fields folded in.
type record struct {
	name, unit string
	time       float64 // seconds; 0 is the time of arrival
	value      json.RawMessage
	base       float64 // base value, to be added to a number
	reason     Reason  // why it cannot be used, if so
	detail     string
}

// base holds the base fields, which last until the next one of the same kind.
type senmlBase struct {
	name, unit  string
	time, value float64
	hasValue    bool
}

// resolveSenML resolves a pack that is valid JSON. The error means that the
// pack as a whole cannot be understood.
func resolveSenML(doc []byte) ([]record, error) {
	i := skipSpace(doc, 0)
	if doc[i] != '[' {
		return nil, errors.New("a SenML pack is a JSON array of records")
	}
	var base senmlBase
	var out []record
	i = skipSpace(doc, i+1)
	for doc[i] != ']' {
		end := skipValue(doc, i)
		if doc[i] != '{' {
			return nil, fmt.Errorf("record %d is not an object", len(out)+1)
		}
		all, twice := members(doc[i:end])
		if err := base.update(all, twice); err != nil {
			return nil, fmt.Errorf("record %d: %w", len(out)+1, err)
		}
		out = append(out, base.resolve(all, twice))
		i = skipSpace(doc, end)
		if doc[i] == ',' {
			i = skipSpace(doc, i+1)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("the SenML pack is empty")
	}
	return out, nil
}

// fields are the labels of one record, in order.
type fields []struct {
	label string
	raw   json.RawMessage
}

// members reads a valid JSON object; twice is a label that stands in it twice,
// the first such.
func members(object []byte) (all fields, twice string) {
	seen := map[string]bool{}
	i := skipSpace(object, 1)
	for object[i] != '}' {
		end := skipString(object, i)
		label := keyText(object[i:end])
		i = skipSpace(object, skipSpace(object, end)+1)
		end = skipValue(object, i)
		if seen[label] && twice == "" {
			twice = label
		}
		seen[label] = true
		all = append(all, struct {
			label string
			raw   json.RawMessage
		}{label, object[i:end]})
		i = skipSpace(object, end)
		if object[i] == ',' {
			i = skipSpace(object, i+1)
		}
	}
	return all, twice
}

// update takes the base fields of a record.
func (b *senmlBase) update(all fields, twice string) error {
	for _, f := range all {
		var err error
		switch {
		case strings.HasSuffix(f.label, "_"):
			err = fmt.Errorf("field %q must be understood (RFC 8428 §4.4) and is not", short([]byte(f.label)))
		case !slices.Contains([]string{"bn", "bt", "bu", "bv", "bs", "bver"}, f.label):
		case f.label == twice:
			err = fmt.Errorf("field %q stands twice", f.label)
		default:
			err = b.field(f.label, f.raw)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (b *senmlBase) field(label string, raw json.RawMessage) error {
	if label == "bn" || label == "bu" {
		s, ok := jsonText(raw)
		if !ok {
			return fmt.Errorf("%s %s is not text", label, short(raw))
		}
		if label == "bn" {
			b.name = s
		} else {
			b.unit = s
		}
		return nil
	}
	x, reason := number(raw, false)
	if reason != "" {
		return fmt.Errorf("%s %s is not a number", label, short(raw))
	}
	switch label {
	case "bt":
		b.time = x
	case "bv":
		b.value, b.hasValue = x, true
	case "bver":
		if x > senmlVersion {
			return fmt.Errorf("version %g; up to %d is understood", x, senmlVersion)
		}
	}
	return nil
}

// resolve makes one record of its own fields and the base fields.
func (b *senmlBase) resolve(all fields, twice string) record {
	r := record{name: b.name, unit: b.unit, time: b.time, base: b.value}
	for _, f := range all {
		switch f.label {
		case "n", "u":
			s, ok := jsonText(f.raw)
			if !ok {
				r.reason, r.detail = NotSenML, fmt.Sprintf("%s %s is not text", f.label, short(f.raw))
				return r
			}
			if f.label == "n" {
				r.name = b.name + s
			} else {
				r.unit = s
			}
		case "t":
			t, reason := number(f.raw, false)
			if reason != "" {
				r.reason, r.detail = BadTime, fmt.Sprintf("t %s is not a number", short(f.raw))
			}
			r.time += t
		case "v", "vs", "vb", "vd":
			r.value = f.raw
		}
	}
	if r.value == nil && b.hasValue {
		r.value = json.RawMessage("0") // the missing one of the two counts as zero (§4.5.4)
	}
	if twice != "" {
		r.reason, r.detail = DuplicateKey, fmt.Sprintf("field %q stands twice", short([]byte(twice)))
	}
	return r
}

// jsonText is the text of a JSON string.
func jsonText(raw json.RawMessage) (string, bool) {
	var s string
	ok := raw[0] == '"' && json.Unmarshal(raw, &s) == nil
	return s, ok
}

// keyText is the unescaped text of a quoted key.
func keyText(quoted []byte) string {
	s, ok := jsonText(quoted)
	if !ok {
		return string(quoted)
	}
	return s
}

// validRecordName checks a resolved name (RFC 8428 §4.5.1).
func validRecordName(name string) error {
	if name == "" {
		return errors.New("missing; the full name of a SenML record, base name included")
	}
	for i, c := range name {
		letterOrDigit := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !letterOrDigit && (i == 0 || !strings.ContainsRune("-:./_", c)) {
			return fmt.Errorf("%q: a SenML name starts with a letter or digit and holds letters, digits and - : . / _", name)
		}
	}
	return nil
}

// senml reads the values of a SenML pack.
func (d *decoding) senml(h hit, doc []byte) {
	pack, err := resolveSenML(doc)
	if err != nil {
		d.refuse(h.name, NotSenML, "%v", err)
		return
	}
	found := false
	for _, r := range pack {
		for i := range h.readings {
			spec := &h.readings[i]
			if spec.Record != r.name {
				continue
			}
			found = true
			d.record(h, spec, r)
		}
	}
	if !found {
		d.refuse(h.name, NoSuchValue, "the pack has no record of this sensor; its first is %q", short([]byte(pack[0].name)))
	}
}

// record takes one record of the pack as one value.
func (d *decoding) record(h hit, spec *compiledReading, r record) {
	if r.reason != "" && r.reason != BadTime {
		d.refuse(h.name, r.reason, "%s: record %q: %s", spec.Quantity, short([]byte(r.name)), r.detail)
		return
	}
	unit, ok := senmlUnit(spec, r.unit)
	if !ok {
		d.refuse(h.name, WrongUnit, "%s: record %q is in %q, not in %s", spec.Quantity, short([]byte(r.name)), short([]byte(r.unit)), wanted(spec))
		return
	}
	if r.value == nil {
		d.refuse(h.name, NoSuchValue, "%s: record %q has no value", spec.Quantity, short([]byte(r.name)))
		return
	}
	at, device := d.senmlTime(h, r)
	d.take(h, spec, r.value, unit, r.base, at, device)
}

// senmlUnit is the unit to convert from. A unit that the sensor names must be
// the record's, if that has one.
func senmlUnit(spec *compiledReading, u string) (string, bool) {
	if u == "%" {
		u = "/" // a synonym in the registry, not a percentage (RFC 8428 §12.1)
	}
	same := u == spec.Unit || u == "/" && spec.Unit == "sg"
	switch {
	case u == "":
		return spec.Unit, spec.Unit != ""
	case spec.Unit != "" && !same:
		return "", false
	}
	for _, allowed := range Units(spec.Quantity) {
		if u == allowed {
			return u, true
		}
	}
	return "", false
}

func wanted(spec *compiledReading) string {
	if spec.Unit != "" {
		return spec.Unit + " as the sensor says"
	}
	return "one of " + list(Units(spec.Quantity))
}

// senmlTime is the record's time: absolute from 2^28 seconds on, else counted
// from the arrival, which is no identity when the message comes again.
func (d *decoding) senmlTime(h hit, r record) (time.Time, bool) {
	switch {
	case r.reason == BadTime:
		d.refuse(h.name, BadTime, "time of record %q: %s; the time of arrival was taken", short([]byte(r.name)), r.detail)
		return d.msg.Arrived, false
	case r.time == 0:
		return d.msg.Arrived, false
	case r.time < relativeBelow && r.time > -relativeBelow:
		at, _ := d.trusted(h, d.msg.Arrived.Add(time.Duration(r.time*float64(time.Second))))
		return at, false
	case !(r.time >= relativeBelow && r.time <= lastSecond):
		d.refuse(h.name, BadTime, "time of record %q: %g is no Unix time; the time of arrival was taken", short([]byte(r.name)), r.time)
		return d.msg.Arrived, false
	}
	return d.trusted(h, unixSeconds(r.time))
}
