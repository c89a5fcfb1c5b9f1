package page

import (
	"strings"

	"ebbline/ingest"
)

// meanings are what a number can be, "quantity unit", in the words of a person.
func meanings(l ingest.Leaf, chosen string) []choiceGroup {
	groups := []struct {
		label string
		q     ingest.Quantity
		units [][2]string
	}{
		{"Gravity", ingest.Gravity, [][2]string{{"sg", "SG"}, {"plato", "°P"}, {"brix", "°Bx"}, {"kg/m3", "kg/m³"}}},
		{"Tilt of a float", ingest.Tilt, [][2]string{{"deg", "degrees"}, {"rad", "radians"}}},
		{"Temperature", ingest.Temperature, [][2]string{{"Cel", "°C"}, {"degF", "°F"}, {"K", "K"}}},
		{"Else", ingest.PH, [][2]string{{"pH", "pH"}}},
		{"Battery", ingest.Battery, [][2]string{{"V", "V"}, {"mV", "mV"}, {"%", "%"}}},
	}
	out := []choiceGroup{{"", []choice{{"", "not used", chosen == ""}}}}
	if l.Clock || chosen == clockMeaning {
		out[0].Choices = append(out[0].Choices, choice{clockMeaning, "time of the device", chosen == clockMeaning})
	}
	for _, g := range groups {
		c := choiceGroup{Label: g.label}
		for _, u := range g.units {
			v := string(g.q) + " " + u[0]
			text := strings.ToLower(g.label) + ", " + u[1]
			if g.q == ingest.PH {
				text = u[1]
			}
			c.Choices = append(c.Choices, choice{v, text, v == chosen})
		}
		out = append(out, c)
	}
	return out
}

const clockMeaning = "time"

// guesses are what the numbers of a payload most likely are, each quantity once.
// Only a proposal: a person confirms it, and sees what comes of it.
func guesses(leaves []ingest.Leaf) []string {
	out := make([]string, len(leaves))
	taken := map[ingest.Quantity]bool{}
	for i, l := range leaves {
		q, unit := ingest.Quantity(""), ""
		switch v := l.Value; {
		case l.Clock:
			q, unit = clockMeaning, ""
		case l.Record != "" && l.Unit == "Cel":
			q, unit = ingest.Temperature, "Cel"
		case v > 0.99 && v < 1.13 && v != 1:
			q, unit = ingest.Gravity, "sg"
		case v >= 990 && v < 1130:
			q, unit = ingest.Gravity, "kg/m3"
		}
		if q != "" && !taken[q] {
			taken[q] = true
			out[i] = strings.TrimSpace(string(q) + " " + unit)
		}
	}
	for i, l := range leaves { // what is left and lies in a cellar's range, once the gravity is found
		if out[i] == "" && !taken[ingest.Temperature] && l.Value >= 2 && l.Value <= 35 && taken[ingest.Gravity] {
			taken[ingest.Temperature] = true
			out[i] = string(ingest.Temperature) + " Cel"
		}
	}
	return out
}
