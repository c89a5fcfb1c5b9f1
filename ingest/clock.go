package ingest

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
)

// maxAhead is how far a device's clock may run ahead of ours. Within it the
// reading keeps the device's time, which is its identity when it is redelivered.
const maxAhead = 5 * time.Minute

// firstYear: a clock that shows an earlier one was never set.
const firstYear = 2020

// clock reads the device's own time, or falls back to the time of arrival and
// says why.
func (d *decoding) clock(h hit, doc []byte) (at time.Time, device bool) {
	if h.Time == "" {
		return d.msg.Arrived, false
	}
	raw, reason := h.time.find(doc)
	if reason != "" {
		d.refuse(h.name, BadTime, "time: %s; the time of arrival was taken", absent(h.Time, reason))
		return d.msg.Arrived, false
	}
	at, err := parseTime(raw, h.Text)
	if err != nil {
		d.refuse(h.name, BadTime, "time: %s %v; the time of arrival was taken", short(raw), err)
		return d.msg.Arrived, false
	}
	return d.trusted(h, at)
}

// trusted is the device's time unless it cannot be right.
func (d *decoding) trusted(h hit, at time.Time) (time.Time, bool) {
	switch {
	case at.Year() < firstYear:
		d.refuse(h.name, ClockWrong, "the device's clock says %s, it was never set; the time of arrival was taken", at.Format(time.RFC3339))
	case at.Sub(d.msg.Arrived) > maxAhead:
		d.refuse(h.name, ClockWrong, "the device's clock says %s, which is in the future; the time of arrival was taken", at.Format(time.RFC3339))
	default:
		return at, true
	}
	return d.msg.Arrived, false
}

// parseTime reads RFC 3339 text, or Unix seconds or milliseconds.
func parseTime(raw json.RawMessage, text bool) (time.Time, error) {
	x, reason := number(raw, text)
	if reason == "" {
		return unixTime(x)
	}
	if reason == TextNumber {
		return time.Time{}, fmt.Errorf("is a number in a string; set text: true on the sensor to accept it")
	}
	var s string
	if json.Unmarshal(raw, &s) != nil || raw[0] != '"' {
		return time.Time{}, fmt.Errorf("is neither RFC 3339 nor a Unix time")
	}
	at, err := time.Parse(time.RFC3339, strings.TrimSpace(s))
	if err != nil {
		return time.Time{}, fmt.Errorf("is not RFC 3339 with a zone, as in 2026-03-02T18:00:00Z")
	}
	return at.UTC().Truncate(time.Microsecond), nil
}

// lastSecond is the last of the year 9999, beyond which RFC 3339 does not go.
const lastSecond = 253402300799

// unixTime takes 1e11 and more as milliseconds: as such it is 1973, as seconds
// it would be the year 5138.
func unixTime(x float64) (time.Time, error) {
	const millisFrom = 1e11
	if math.Abs(x) >= millisFrom {
		x /= 1000
	}
	if !(math.Abs(x) <= lastSecond) {
		return time.Time{}, fmt.Errorf("is neither Unix seconds nor milliseconds")
	}
	return unixSeconds(x), nil
}

// unixSeconds keeps microseconds, as the journal does.
func unixSeconds(x float64) time.Time {
	return time.UnixMicro(int64(math.Round(x * 1e6))).UTC()
}
