package config

import (
	"strings"

	"go.yaml.in/yaml/v4"

	"ebbline/projection/gravity"
)

// celsius reads a temperature with its unit, within bounds.
func (r *reader) celsius(n *yaml.Node, key string, low, high gravity.Celsius) gravity.Celsius {
	s := r.scalar(n, key, "a temperature with its unit such as 20 Cel")
	if s == "" {
		return 0
	}
	t, err := gravity.ParseTemperature(cut(s))
	switch {
	case err != nil:
		r.unmeant(n, key, err)
	case t < low || t > high:
		r.fail(n, "%s: %.4g Cel; allowed is %g to %g Cel", key, float64(t), float64(low), float64(high))
	}
	return t
}

// litres reads a volume with its unit.
func (r *reader) litres(n *yaml.Node, key string) gravity.Litres {
	const most = 100000
	s := r.scalar(n, key, "a volume with its unit such as 19 L")
	if s == "" {
		return 0
	}
	v, err := gravity.ParseVolume(cut(s))
	switch {
	case err != nil:
		r.unmeant(n, key, err)
	case v > most:
		r.fail(n, "%s: %g L; allowed is up to %d L", key, float64(v), most)
	}
	return v
}

// gravity reads a gravity, within bounds: a bare number is SG, extract has its
// unit. Who writes 1013 for 1.013 is told so.
func (r *reader) gravity(n *yaml.Node, key string, low, high gravity.SG) gravity.SG {
	s := r.scalar(n, key, "a gravity such as 1.0132 or 4 plato")
	if s == "" {
		return 0
	}
	if x, ok := parseNumber(s); ok && x >= 980 && x <= 1200 {
		r.fail(n, "%s: %s; did you mean %.6g? Gravity is relative density (SG), such as 1.0132", key, cut(s), x/1000)
		return 0
	}
	sg, err := gravity.ParseGravity(cut(s))
	switch {
	case err != nil:
		r.unmeant(n, key, err)
	case sg < low || sg > high:
		r.fail(n, "%s: %.5g SG; allowed is %g to %g", key, float64(sg), float64(low), float64(high))
	}
	return sg
}

// unmeant reports what cannot be read as a quantity, which the error names; the
// key is put before it unless it is the same word.
func (r *reader) unmeant(n *yaml.Node, key string, err error) {
	if strings.HasPrefix(err.Error(), key) {
		r.fail(n, "%v", err)
		return
	}
	r.fail(n, "%s: %v", key, err)
}
