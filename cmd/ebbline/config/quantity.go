package config

import (
	"strings"

	"go.yaml.in/yaml/v4"

	"ebbline/ingest"
	"ebbline/projection/gravity"
)

// measure reads "19 L" or "19L": a number and a unit. A bare number has the
// unit "".
func (r *reader) measure(n *yaml.Node, key, example string) (float64, string, bool) {
	s := r.scalar(n, key, "a number with a unit such as "+example)
	if s == "" {
		return 0, "", false
	}
	end := strings.LastIndexAny(s, "0123456789.") + 1
	// "kg/m3" ends in a digit: the unit starts at the first letter instead,
	// unless that is the e of an exponent.
	for i, c := range s {
		if c == ' ' || c >= 'A' && c != 'E' && c != 'e' || c == '/' || c == '%' {
			end = i
			break
		}
	}
	x, ok := parseNumber(s[:end])
	if !ok {
		r.fail(n, "%s: %q is not a number with a unit; for example %s", key, cut(s), example)
		return 0, "", false
	}
	return x, strings.TrimSpace(s[end:]), true
}

// celsius reads a temperature in Cel, degF or K within bounds.
func (r *reader) celsius(n *yaml.Node, key string, low, high gravity.Celsius) gravity.Celsius {
	x, unit, ok := r.measure(n, key, "20 Cel")
	if !ok {
		return 0
	}
	t := gravity.Celsius(x)
	switch unit {
	case "Cel":
	case "degF":
		t = gravity.Celsius((x - 32) / 1.8)
	case "K":
		t = gravity.Celsius(x - 273.15)
	case "":
		r.fail(n, "%s: %g has no unit; write %g Cel or %g degF", key, x, x, x)
		return 0
	default:
		r.fail(n, "%s: %q is not a unit of temperature; Cel, degF or K", key, cut(unit))
		return 0
	}
	if t < low || t > high {
		r.fail(n, "%s: %.4g Cel; allowed is %g to %g Cel", key, float64(t), float64(low), float64(high))
	}
	return t
}

// litresPerGallon: US liquid gallon, 231 cubic inches of 25.4 mm (NIST
// Handbook 44, appendix C).
const litresPerGallon = 3.785411784

// litres reads a volume in L, mL, hL or gal (US).
func (r *reader) litres(n *yaml.Node, key string) gravity.Litres {
	x, unit, ok := r.measure(n, key, "19 L")
	if !ok {
		return 0
	}
	switch unit {
	case "L", "l":
	case "mL", "ml":
		x /= 1000
	case "hL", "hl":
		x *= 100
	case "gal":
		x *= litresPerGallon
	case "":
		r.fail(n, "%s: %g has no unit; write %g L or %g gal", key, x, x, x)
		return 0
	default:
		r.fail(n, "%s: %q is not a unit of volume; L, mL, hL or gal (US)", key, cut(unit))
		return 0
	}
	if !(x > 0 && x <= 100000) {
		r.fail(n, "%s: %g L; allowed is more than 0 up to 100000 L", key, x)
	}
	return gravity.Litres(x)
}

// gravity reads a relative density: a bare number or "sg" is SG; plato and
// brix are converted.
func (r *reader) gravity(n *yaml.Node, key string, low, high gravity.SG) gravity.SG {
	x, unit, ok := r.measure(n, key, "1.0132")
	if !ok {
		return 0
	}
	var sg gravity.SG
	switch unit {
	case "", "sg", "SG":
		sg = gravity.SG(x)
	case "plato", "brix":
		sg = ingest.SGOf(x, unit)
	default:
		r.fail(n, "%s: %q is not a unit of gravity; a bare number (SG), plato or brix", key, cut(unit))
		return 0
	}
	if sg >= low && sg <= high {
		return sg
	}
	hint := ""
	switch {
	case unit == "" && x >= 980 && x <= 1200:
		r.fail(n, "%s: %g; did you mean %.6g? Gravity is relative density (SG), such as 1.0132", key, x, x/1000)
		return 0
	case unit == "" && x > 1.2 && x <= 40:
		hint = "; for degrees Plato write " + strings.TrimSpace(n.Value) + " plato"
	}
	r.fail(n, "%s: %.5g SG; allowed is %g to %g%s", key, float64(sg), float64(low), float64(high), hint)
	return 0
}
