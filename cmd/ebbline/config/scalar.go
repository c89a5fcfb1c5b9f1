package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"ebbline/projection/gravity"
)

// scalar is the text of a single value, "" after a fault.
func (r *reader) scalar(n *yaml.Node, key, want string) string {
	if n.Kind != yaml.ScalarNode || n.ShortTag() == "!!null" {
		r.fail(n, "%s: %s is needed here", key, want)
		return ""
	}
	text := strings.TrimSpace(n.Value)
	if text == "" {
		r.fail(n, "%s: empty; %s is needed here", key, want)
	}
	return text
}

// text reads an optional text.
func (o object) text(key, otherwise string) string {
	n := o.get(key)
	if n == nil {
		return otherwise
	}
	return o.r.scalar(n, key, "text")
}

// oneOf reads an optional word out of a fixed set.
func oneOf[T ~string](o object, key string) T {
	k := o.keys.key(key)
	n := o.get(key)
	if n == nil {
		return T(k.Default)
	}
	words := k.Words
	list := strings.Join(words, ", ")
	s := o.r.scalar(n, key, "one of "+list)
	if s == "" || slices.Contains(words, s) {
		return T(s)
	}
	hint := ""
	if near := nearest(s, words); near != "" {
		hint = fmt.Sprintf(" (did you mean %q?)", near)
	}
	o.r.fail(n, "%s: %q is not known%s; one of %s", key, cut(s), hint, list)
	return ""
}

// flag reads an optional true or false.
func (o object) flag(key string) bool {
	n := o.get(key)
	if n == nil {
		return false
	}
	switch s := o.r.scalar(n, key, "true or false"); s {
	case "true":
		return true
	case "false", "":
	default:
		o.r.fail(n, "%s: %q; true or false", key, cut(s))
	}
	return false
}

// number reads a plain finite number.
func (r *reader) number(n *yaml.Node, key string) (float64, bool) {
	s := r.scalar(n, key, "a number")
	if s == "" {
		return 0, false
	}
	x, ok := parseNumber(s)
	if !ok {
		r.fail(n, "%s: %q is not a number; write it with a point, as in 1.0132", key, cut(s))
	}
	return x, ok
}

// in gives a value and what its key allows to a reader of quantities.
func in[T any](o object, key string, read func(*yaml.Node, Key) T) T {
	return read(o.get(key), o.keys.key(key))
}

// within reads a number within the bounds of its key.
func (o object) within(key string) float64 {
	n, k := o.get(key), o.keys.key(key)
	x, ok := o.r.number(n, key)
	if ok && !(x >= k.Low && x <= k.High) {
		o.r.fail(n, "%s: %g; allowed is %g to %g", key, x, k.Low, k.High)
	}
	return x
}

// parseNumber takes finite decimal numbers with a point only, so that "10,000"
// is not read as ten.
func parseNumber(s string) (float64, bool) {
	x, unit, err := gravity.SplitQuantity(s)
	return x, err == nil && unit == "" && !strings.Contains(s, ",")
}

// duration reads a time span like 30m, 5h or 3h4m0s.
func (o object) duration(key string) time.Duration {
	k := o.keys.key(key)
	n := o.get(key)
	if n == nil {
		return k.spanDefault()
	}
	return o.r.duration(n, k)
}

func (r *reader) duration(n *yaml.Node, k Key) time.Duration {
	key := k.Name
	low, high := span(k.Low), span(k.High)
	s := r.scalar(n, key, "a time span such as 30m or 5h")
	if s == "" {
		return 0
	}
	d, err := time.ParseDuration(strings.ReplaceAll(s, " ", ""))
	switch {
	case err != nil:
		r.fail(n, "%s: %q is not a time span; such as 30m, 5h or 1h30m", key, cut(s))
	case d < low || d > high:
		r.fail(n, "%s: %s; allowed is %s to %s", key, s, Span(low), Span(high))
	}
	return d
}

// Span renders a duration without its empty parts: 72h, not 72h0m0s.
func Span(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// when reads a point in time.
func (r *reader) when(n *yaml.Node, key string) time.Time {
	s := r.scalar(n, key, "a time such as 2026-03-02T18:00:00Z")
	if s == "" {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil || t.Year() < 1980 || t.Year() > 9000 {
		r.fail(n, "%s: %q is not a time with date and zone (RFC 3339), such as 2026-03-02T18:00:00Z or 2026-03-02T19:00:00+01:00", key, cut(s))
		return time.Time{}
	}
	return t.UTC()
}

// cut shortens what a person typed for a message about it.
func cut(s string) string {
	const longest = 60
	if len(s) <= longest {
		return s
	}
	return strings.ToValidUTF8(s[:longest], "") + "..."
}
