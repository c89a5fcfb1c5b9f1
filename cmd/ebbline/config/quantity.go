package config

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v4"

	"ebbline/projection/gravity"
)

// celsius reads a temperature with its unit, within bounds.
func (r *reader) celsius(n *yaml.Node, k Key) gravity.Celsius {
	key := k.Name
	low, high := gravity.Celsius(k.Low), gravity.Celsius(k.High)
	t, ok := quantity(r, n, key, "a temperature with its unit such as 20 Cel", gravity.ParseTemperature)
	if ok && (t < low || t > high) {
		r.fail(n, "%s: %.4g Cel; allowed is %g to %g Cel", key, float64(t), float64(low), float64(high))
	}
	return t
}

// litres reads a volume with its unit.
func (r *reader) litres(n *yaml.Node, k Key) gravity.Litres {
	key, most := k.Name, gravity.Litres(k.High)
	v, ok := quantity(r, n, key, "a volume with its unit such as 19 L", gravity.ParseVolume)
	if ok && v > most {
		r.fail(n, "%s: %g L; allowed is up to %.0f L", key, float64(v), float64(most))
	}
	return v
}

// gravity reads a gravity, within bounds: a bare number is SG, extract has its
// unit.
func (r *reader) gravity(n *yaml.Node, k Key) gravity.SG {
	key := k.Name
	low, high := gravity.SG(k.Low), gravity.SG(k.High)
	sg, ok := quantity(r, n, key, "a gravity such as 1.0132 or 4 plato", ParseGravity)
	if ok && (sg < low || sg > high) {
		r.fail(n, "%s: %.5g SG; allowed is %g to %g", key, float64(sg), float64(low), float64(high))
	}
	return sg
}

// ParseGravity is gravity.ParseGravity that also tells who writes 1013 for 1.013 what was probably meant.
func ParseGravity(s string) (gravity.SG, error) {
	if x, ok := parseNumber(s); ok && x >= 980 && x <= 1200 {
		return 0, fmt.Errorf("%s; did you mean %.6g? Gravity is relative density (SG), such as 1.0132", s, x/1000)
	}
	return gravity.ParseGravity(s)
}

// quantity reads what parse understands; false after a fault. The fault names
// the quantity; the key is put before it unless it is the same word.
func quantity[T any](r *reader, n *yaml.Node, key, want string, parse func(string) (T, error)) (x T, ok bool) {
	s := r.scalar(n, key, want)
	if s == "" {
		return x, false
	}
	x, err := parse(cut(s))
	switch {
	case err == nil:
		return x, true
	case strings.HasPrefix(err.Error(), key):
		r.fail(n, "%v", err)
	default:
		r.fail(n, "%s: %v", key, err)
	}
	return x, false
}
