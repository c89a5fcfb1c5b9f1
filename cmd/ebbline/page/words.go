package page

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// clock says a moment as a person would: "today 21:40", "tomorrow 03:10",
// "Thu 21:40" within six days, "2 Mar 21:40" beyond.
func clock(t, now time.Time, loc *time.Location) string {
	t, now = t.In(loc), now.In(loc)
	switch d := dayNumber(t) - dayNumber(now); {
	case d == 0:
		return "today " + t.Format("15:04")
	case d == 1:
		return "tomorrow " + t.Format("15:04")
	case d == -1:
		return "yesterday " + t.Format("15:04")
	case d > -7 && d < 7:
		return t.Format("Mon 15:04")
	case t.Year() == now.Year():
		return t.Format("2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
}

// dated says a moment of which "today" and "tomorrow" may be told: by its date,
// unless they are of today.
func dated(t, now time.Time, loc *time.Location) string {
	t, now = t.In(loc), now.In(loc)
	switch {
	case dayNumber(t) == dayNumber(now):
		return "today " + t.Format("15:04")
	case t.Year() == now.Year():
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("Mon 2 Jan 2006 15:04")
}

// dayNumber counts calendar days, whatever their length.
func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// span says a length of time in at most two parts.
func span(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	m := int(math.Round(d.Minutes()))
	switch {
	case m < 1:
		return "less than a minute"
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		if h, r := m/60, m%60; h < 6 && r != 0 {
			return fmt.Sprintf("%d h %d min", h, r)
		}
		return fmt.Sprintf("%d h", (m+30)/60)
	}
	return fmt.Sprintf("%d days", (m+720)/1440)
}

// ago says how old something is.
func ago(t, now time.Time) string {
	d := now.Sub(t)
	if d < time.Minute {
		return "just now"
	}
	return span(d) + " ago"
}

// ahead says how far off something is, or how long it has been due.
func ahead(t, now time.Time) string {
	if d := t.Sub(now); d >= time.Minute {
		return "in " + span(d)
	}
	if now.Sub(t) < time.Minute {
		return "now"
	}
	return ago(t, now)
}

// number reads what a person typed, with a decimal comma or point.
func number(s string) (float64, error) {
	s = strings.TrimSpace(s)
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	for _, r := range s {
		// ParseFloat also knows hexadecimal, exponents, "inf": nobody means these.
		if (r < '0' || r > '9') && r != '.' && r != '-' && r != '+' {
			return 0, fmt.Errorf("%q is not a number", s)
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return v, nil
}

// sg, sgSpread and abv print with the digits that mean something.
func sg(v float64) string       { return strconv.FormatFloat(v, 'f', 4, 64) }
func sgSpread(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }
func abv(v float64) string      { return strconv.FormatFloat(v, 'f', 2, 64) }
func tenth(v float64) string    { return strconv.FormatFloat(v, 'f', 1, 64) }

// trim prints without needless zeros.
func trim(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// minus writes a negative number with the sign made for it.
func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

// tie keeps numbers and their units on one line.
func tie(s string) string {
	return strings.NewReplacer("± ", "±\u00a0", " °", "\u00a0°", " % ABV", "\u00a0%\u00a0ABV", " %", "\u00a0%", " min", "\u00a0min", " SG", "\u00a0SG").Replace(s)
}

// firstSentence parts a text after its first sentence, so that what to do
// stands out from how sure it is.
func firstSentence(s string) (first, rest string) {
	for i := 0; i+2 < len(s); i++ {
		if (s[i] == '.' || s[i] == '!') && s[i+1] == ' ' && s[i+2] >= 'A' && s[i+2] <= 'Z' {
			return s[:i+1], s[i+2:]
		}
	}
	return s, ""
}
