package gravity

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

var errNoNumber = errors.New("not a number")

// parseNumber reads a finite decimal number with point or comma.
func parseNumber(s string) (float64, error) {
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(s), ",", ".", 1), 64)
	if err != nil || !finite(x) || strings.ContainsAny(s, "xX_") {
		return 0, errNoNumber
	}
	return x, nil
}

// SplitQuantity takes "19 L" apart into 19 and "L"; the unit may be missing or
// stand close. The number has a decimal point or comma and is finite.
func SplitQuantity(s string) (x float64, unit string, err error) {
	s = strings.TrimSpace(s)
	end := strings.IndexFunc(s, func(r rune) bool {
		return r != 'e' && r != 'E' && unicode.IsLetter(r) || unicode.IsSpace(r) || r == '°' || r == '%'
	})
	if end < 0 {
		end = len(s)
	}
	x, err = parseNumber(s[:end])
	if err != nil {
		return 0, "", fmt.Errorf("%q does not start with a number", s)
	}
	return x, strings.TrimSpace(s[end:]), nil
}

// ParseVolume reads a volume above nought with its unit: L, mL, hL or gal (US).
func ParseVolume(s string) (Litres, error) {
	x, unit, err := SplitQuantity(s)
	if err != nil {
		return 0, fmt.Errorf("volume: %w; write it as 19 L or 5 gal", err)
	}
	perUnit, known := map[string]float64{"l": 1, "ml": 1e-3, "hl": 100, "gal": litresPerGallon}[strings.ToLower(unit)]
	switch {
	case unit == "":
		return 0, fmt.Errorf("volume %q has no unit; write %g L or %g gal", s, x, x)
	case !known:
		return 0, fmt.Errorf("volume %q: unit %q is not known; L, mL, hL or gal (US)", s, unit)
	case x <= 0:
		return 0, fmt.Errorf("volume %q: must be above nought", s)
	}
	return Litres(x * perUnit), nil
}

// ParseTemperature reads a temperature with its unit: Cel (also C or °C), degF
// (also F or °F) or K. Allowed is -10 to 110 °C.
func ParseTemperature(s string) (Celsius, error) {
	x, unit, err := SplitQuantity(s)
	if err != nil {
		return 0, fmt.Errorf("temperature: %w; write it as 20 Cel or 68 degF", err)
	}
	var t float64
	switch unit {
	case "Cel", "C", "°C":
		t = x
	case "degF", "F", "°F":
		t = (x - 32) / 1.8
	case "K":
		t = x - 273.15
	case "":
		return 0, fmt.Errorf("temperature %q has no unit; write %g Cel or %g degF", s, x, x)
	default:
		return 0, fmt.Errorf("temperature %q: unit %q is not known; Cel, degF or K", s, unit)
	}
	if t < -10 || t > 110 {
		return 0, fmt.Errorf("temperature %q is %.1f °C; allowed is -10 to 110", s, t)
	}
	return Celsius(t), nil
}

// ParseGravity reads a gravity: a bare number or one with unit sg is relative
// density, plato (also °P) and brix (also °Bx) are extract, kg/m3 is density at
// 20 °C. Allowed is 0.980 to 1.200 SG.
func ParseGravity(s string) (SG, error) {
	x, unit, err := SplitQuantity(s)
	if err != nil {
		return 0, fmt.Errorf("gravity: %w; write it as 1.0155 or 4 plato", err)
	}
	var g SG
	switch unit {
	case "", "sg", "SG":
		g = SG(x)
		if unit == "" && x > 1.2 && x <= 50 {
			return 0, fmt.Errorf("gravity %q is above 1.200; if it is extract write %g plato, otherwise the relative density, like 1.0155", s, x)
		}
	case "plato", "°P", "P":
		g, err = extractSG(x, 45)
	case "brix", "°Bx", "Bx":
		g, err = extractSG(x, 45)
		if err == nil {
			g = Brix(x).SG()
		}
	case "kg/m3", "kg/m³":
		g = Density(x).SG()
	default:
		return 0, fmt.Errorf("gravity %q: unit %q is not known; none or sg, plato, brix or kg/m3", s, unit)
	}
	if err != nil || !(g >= 0.98 && g <= 1.2) {
		return 0, fmt.Errorf("gravity %q: allowed is 0.980 to 1.200 SG", s)
	}
	return g, nil
}

// extractSG is the relative density of x °P, refused where the cubic is no guide.
func extractSG(x, most float64) (SG, error) {
	if x < -6 || x > most {
		return 0, errNoNumber
	}
	return Plato(x).SG(), nil
}
