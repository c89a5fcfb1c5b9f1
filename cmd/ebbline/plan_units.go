package main

import (
	"fmt"
	"math"

	"ebbline/projection/gravity"
)

func sg(g float64) string { return fmt.Sprintf("%.4f", g) }

func percentText(p float64) string { return fmt.Sprintf("%g %%", math.Round(p*1e4)/100) }

func pluralOf(n float64) string {
	if n == 1 {
		return ""
	}
	return "s"
}

// hoursText is a number of hours as one would say it.
func hoursText(h float64) string {
	if h < 1 {
		return fmt.Sprintf("%.0f minutes", h*60)
	}
	x := fmt.Sprintf("%.3g", math.Round(h*2)/2)
	if x == "1" {
		return "1 hour"
	}
	return x + " hours"
}

func limitText(c gravity.Ceiling) string {
	if c.Strict {
		return fmt.Sprintf("less than %g %% ABV", float64(c.Limit))
	}
	return fmt.Sprintf("not more than %g %% ABV", float64(c.Limit))
}

func (r planRequest) volumeText(v gravity.Litres) string {
	if r.us {
		return fmt.Sprintf("%.3g gal", v.Gallons())
	}
	return fmt.Sprintf("%.3g L", float64(v))
}

func (r planRequest) degrees(t gravity.Celsius) string {
	if r.us {
		return fmt.Sprintf("%.3g °F", t.Fahrenheit())
	}
	return fmt.Sprintf("%.3g °C", float64(t))
}

func (r planRequest) pressure(bar float64) string {
	if r.us {
		return fmt.Sprintf("%.1f psi", gravity.Bar(bar).PSI())
	}
	return fmt.Sprintf("%.2f bar", bar)
}

// gramsPerOunce: avoirdupois, exact.
const gramsPerOunce = 28.349523125

func (r planRequest) mass(grams float64) string {
	if r.us {
		return fmt.Sprintf("%.1f oz", grams/gramsPerOunce)
	}
	return fmt.Sprintf("%.0f g", grams)
}
