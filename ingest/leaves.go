package ingest

import (
	"encoding/json"
	"strconv"
	"strings"
)

// maxLeaves bounds what is offered of one payload.
const maxLeaves = 80

// Leaf is a number in a payload that a sensor could read, and where it stands.
type Leaf struct {
	// Pointer finds it by JSON Pointer (RFC 6901); of a SenML pack, Record does.
	Pointer string
	Record  string
	Unit    string // of a SenML record; else ""
	Text    string // as it stands, one line
	Value   float64
	// InText is a number written inside a string: Sensor.Text must be set.
	InText bool
	// Clock is a value that could be the device's own time, which Value is not
	// of text.
	Clock bool
}

// Leaves lists the numbers of a payload in their order, so that a person can say
// which is which, and the format that they are found by. Keys that stand twice
// are left out: they are never read. The detail says why a payload has none.
func Leaves(payload []byte) (leaves []Leaf, format, detail string) {
	doc, reason, detail := readJSON(payload)
	if reason != "" {
		return nil, PlainFormat, detail
	}
	if leaves := packLeaves(doc); len(leaves) > 0 {
		return leaves, SenMLFormat, ""
	}
	leaves = plainLeaves(nil, doc, "")
	if len(leaves) == 0 {
		return nil, PlainFormat, "there is no number in it"
	}
	return leaves, PlainFormat, ""
}

// packLeaves are the numbers of a SenML pack; none if it is not one.
func packLeaves(doc []byte) []Leaf {
	records, err := resolveSenML(doc)
	if err != nil {
		return nil
	}
	var out []Leaf
	for _, r := range records {
		if r.reason != "" || r.value == nil || validRecordName(r.name) != nil || len(out) == maxLeaves {
			continue
		}
		if x, reason := number(r.value, false); reason == "" {
			out = append(out, Leaf{Record: r.name, Unit: r.unit, Text: short(r.value), Value: x + r.base})
		}
	}
	return out
}

// plainLeaves walks valid JSON; readJSON has bounded its depth.
func plainLeaves(out []Leaf, doc []byte, at string) []Leaf {
	i := skipSpace(doc, 0)
	switch doc[i] {
	case '{':
		all, _ := members(doc[i:])
		count := map[string]int{}
		for _, f := range all {
			count[f.label]++
		}
		for _, f := range all {
			if count[f.label] == 1 {
				out = plainLeaves(out, f.raw, at+"/"+escaped(f.label))
			}
		}
	case '[':
		i = skipSpace(doc, i+1)
		for n := 0; doc[i] != ']' && len(out) < maxLeaves; n++ {
			end := skipValue(doc, i)
			out = plainLeaves(out, doc[i:end], at+"/"+strconv.Itoa(n))
			if i = skipSpace(doc, end); doc[i] == ',' {
				i = skipSpace(doc, i+1)
			}
		}
	default:
		if l, ok := leaf(doc[i:skipValue(doc, i)], at); ok && len(out) < maxLeaves {
			out = append(out, l)
		}
	}
	return out
}

// leaf reads one value, a number or the device's clock.
func leaf(raw json.RawMessage, at string) (Leaf, bool) {
	l := Leaf{Pointer: at, Text: short(raw)}
	_, strict := number(raw, false)
	x, reason := number(raw, true)
	l.Value, l.InText = x, strict == TextNumber
	when, err := parseTime(raw, true)
	l.Clock = err == nil && when.Year() >= firstYear && when.Year() < firstYear+100
	return l, reason == "" || l.Clock
}

// escaped writes a key as a token of a JSON Pointer (RFC 6901 §3).
func escaped(key string) string {
	return strings.ReplaceAll(strings.ReplaceAll(key, "~", "~0"), "/", "~1")
}
