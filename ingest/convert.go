package ingest

import (
	"fmt"
	"math"
)

// convert brings a value to the unit a Reading carries it in. The unit is one
// of Units; a nonsensical value may give a nonsensical or non-finite result,
// which inRange then refuses.
func convert(unit string, x float64) float64 {
	switch unit {
	case "plato", "brix", "kg/m3":
		return sgOf(x, unit)
	case "K":
		return x - 273.15
	case "degF":
		return (x - 32) / 1.8
	case "rad":
		return x * 180 / math.Pi
	case "mV":
		return x / 1000
	case "%", "%EL", "/100":
		return x / 100
	}
	return x
}

// inRange reports whether a reading is physically plausible: contract §3 for
// gravity and temperature, the scale itself for the others.
func inRange(q Quantity, unit string, x float64) bool {
	lo, hi := limits(q, unit)
	return x >= lo && x <= hi // false for NaN
}

func limits(q Quantity, unit string) (lo, hi float64) {
	switch {
	case q == Gravity:
		return 0.980, 1.200
	case q == Temperature:
		return -10, 110
	case q == Tilt:
		return -180, 180
	case q == PH:
		return 0, 14
	case unit == "V" || unit == "mV":
		return 0, 60
	default: // the fraction of a battery's charge
		return 0, 1
	}
}

// whyOut explains an implausible value and offers what was probably meant.
func whyOut(v value, q Quantity, x float64) string {
	lo, hi := limits(q, v.unit)
	said := fmt.Sprintf("%s is outside %g..%g", v.text(), lo, hi)
	switch {
	case q == Gravity && (v.spec.Quantity == Tilt || x != v.v && len(v.spec.Calibration) > 0):
		return fmt.Sprintf("the calibration makes SG %.4g of %s, outside %g..%g", x, v.text(), lo, hi)
	case q == Gravity && v.spec.Quantity == Gravity && x != v.v && !math.IsNaN(x):
		return fmt.Sprintf("%s is %.4f SG once corrected for temperature, outside %g..%g", v.text(), x, lo, hi)
	case q == Gravity && v.unit == "sg" && x >= 980 && x <= 1200:
		return fmt.Sprintf("%s: did you mean %.4g? unit sg wants 1.013, not 1013", v.text(), x/1000)
	case q == Gravity && v.unit == "sg" && x > 1.2 && x <= 40:
		return said + " SG; is it degrees Plato (unit plato)?"
	case q == Gravity && v.unit != "sg" && v.unit != "/" && !math.IsNaN(x):
		return fmt.Sprintf("%s is %.4g SG, outside %g..%g", v.text(), x, lo, hi)
	case q == Gravity:
		return said + " SG"
	case q == Temperature && x == -127:
		return said + " Cel; many digital thermometers say so when their wire is broken"
	case q == Temperature:
		return fmt.Sprintf("%s is %.4g °C, outside %g..%g", v.text(), x, lo, hi)
	case q == Battery:
		return fmt.Sprintf("%s is %.4g, outside %g..%g", v.text(), x, lo, hi)
	}
	return said
}

// polynomial is c0 + c1·x + c2·x² + … by Horner's rule.
func polynomial(c []float64, x float64) float64 {
	y := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		y = y*x + c[i]
	}
	return y
}
