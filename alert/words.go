package alert

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// words says numbers and times as the brewer reads them.
type words struct {
	now         time.Time
	loc         *time.Location
	plato, fahr bool
}

// at says a moment: "21:40 today", "03:10 tomorrow, Thu", "21:40 on Mon 9 Mar".
func (w words) at(t time.Time) string {
	t, now := t.In(w.loc), w.now.In(w.loc)
	switch day := dayOf(t) - dayOf(now); {
	case day == 0:
		return t.Format("15:04") + " today"
	case day == 1:
		return t.Format("15:04") + " tomorrow, " + t.Format("Mon")
	case day == -1:
		return t.Format("15:04") + " yesterday"
	case t.Year() == now.Year():
		return t.Format("15:04 on Mon 2 Jan")
	}
	return t.Format("15:04 on Mon 2 Jan 2006")
}

// by says a latest moment, on the early side by up to 5 minutes.
func (w words) by(t time.Time) string { return w.at(t.Truncate(5 * time.Minute)) }

// deadline says by when something must be done that is pressing; a moment that
// rounds to the past, or will have come when this is read, is not told.
func (w words) deadline(t time.Time) string {
	if t.Truncate(5*time.Minute).Sub(w.now) >= time.Minute {
		return "by " + w.by(t)
	}
	return "within minutes"
}

// between says two moments, as roughly as they lie apart, the day of the first
// only if it differs.
func (w words) between(a, b time.Time) string {
	step := 5 * time.Minute
	if b.Sub(a) > 6*time.Hour {
		step = time.Hour
	}
	a, b = a.Round(step), b.Round(step)
	if dayOf(a.In(w.loc)) == dayOf(b.In(w.loc)) {
		return a.In(w.loc).Format("15:04") + " and " + w.at(b)
	}
	return w.at(a) + " and " + w.at(b)
}

// likely says when something will probably be due: from the cautious end of what is
// believed, which moves later as more is known, to two of its spreads later,
// which is about the middle.
func (w words) likely(by time.Time, sd time.Duration) string {
	step := time.Hour
	if sd < 3*time.Hour {
		step = 5 * time.Minute
	}
	from, to := by.Truncate(5*time.Minute), by.Add(2*sd).Round(step)
	switch {
	case to.Sub(from) < time.Hour:
		return "about " + w.at(from)
	case dayOf(from.In(w.loc)) == dayOf(to.In(w.loc)):
		return "between " + from.In(w.loc).Format("15:04") + " and " + w.at(to)
	}
	return "between " + w.at(from) + " and " + w.at(to)
}

// dayOf counts calendar days, whatever their length.
func dayOf(t time.Time) int64 {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400
}

// span says a length of time: "40 min", "2 h 30 min", "14 h", "3 days".
func span(d time.Duration) string {
	m := int(math.Round(math.Abs(d.Minutes())))
	switch {
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m < 6*60 && m%60 != 0:
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	case m < 48*60:
		return fmt.Sprintf("%d h", (m+30)/60)
	}
	return fmt.Sprintf("%d days", (m+720)/1440)
}

// spread says a standard deviation of a time, coarsely.
func spread(d time.Duration) string {
	if d < 50*time.Minute {
		return span(max(5*time.Minute, d.Round(5*time.Minute)))
	}
	return span(max(time.Hour, d.Round(time.Hour)))
}

// cases says a probability as a frequency: "19 of 20 cases".
func cases(p float64) string {
	switch {
	case p < 0.005:
		return "fewer than 1 of 100 cases"
	case p > 0.995:
		return "more than 99 of 100 cases"
	case p < 0.045 || p > 0.955:
		return fmt.Sprintf("%.0f of 100 cases", p*100)
	}
	return fmt.Sprintf("%.0f of 20 cases", p*20)
}

// holds says a probability that something wanted holds, as cases does, but
// never more than it is: less than promised is not to read like the promise.
func holds(p float64) string {
	const near = 1e-9 // 1 − 0.05 is not quite 19 of 20 in binary
	switch {
	case p < 0.05-near:
		return "fewer than 1 of 20 cases"
	case p > 0.995:
		return "more than 99 of 100 cases"
	case p > 0.955:
		return fmt.Sprintf("%.0f of 100 cases", math.Floor(p*100+near))
	}
	return fmt.Sprintf("%.0f of 20 cases", math.Floor(p*20+near))
}

// strength says an alcohol with its spread, one standard deviation.
func strength(a, sd gravity.ABV) string {
	return fmt.Sprintf("%.2f ± %.2f %% ABV", float64(max(0, a)), max(0.01, float64(sd)))
}

// range8 says the middle of a belief and where 8 of 10 cases lie.
func range8(q projection.Quantiles) string {
	return fmt.Sprintf("%.2f %% ABV (8 of 10 cases: %.2f to %.2f)", float64(q.P50), float64(q.P10), float64(q.P90))
}

// gravity says the beer's gravity with its spread in the brewer's scale.
func (w words) gravity(e *projection.Estimate) string {
	if w.plato {
		p, above := float64(e.Gravity.Plato()), float64((e.Gravity + e.GravitySD).Plato())
		return fmt.Sprintf("%.1f ± %.1f °P", p, max(0.1, above-p))
	}
	return fmt.Sprintf("SG %.4f ± %.4f", float64(e.Gravity), max(0.0001, float64(e.GravitySD)))
}

// points says a fall of gravity with its spread in the brewer's scale.
func (w words) points(fall, sd float64) string {
	fall = max(0, fall)
	if w.plato {
		scale := platoOfAPoint()
		return fmt.Sprintf("%.1f ± %.1f °P", fall*scale, max(0.1, sd*scale))
	}
	return fmt.Sprintf("%.1f ± %.1f gravity points", fall, max(0.1, sd))
}

// platoOfAPoint is what a gravity point is in °P, in thin worts.
func platoOfAPoint() float64 { return float64(gravity.SG(1.01).Plato()-gravity.SG(1).Plato()) / 10 }

// difference says gravity points without their spread.
func (w words) difference(points float64) string {
	if w.plato {
		return fmt.Sprintf("%.1f °P", points*platoOfAPoint())
	}
	return fmt.Sprintf("%.1f gravity points", points)
}

// sg says a gravity without its spread in the brewer's scale.
func (w words) sg(g gravity.SG) string {
	if w.plato {
		return fmt.Sprintf("%.1f °P", float64(g.Plato()))
	}
	return fmt.Sprintf("SG %.4f", float64(g))
}

// temp says a temperature in the brewer's scale.
func (w words) temp(t gravity.Celsius) string {
	if w.fahr {
		return fmt.Sprintf("%.1f °F", fahrenheit(t))
	}
	return fmt.Sprintf("%.1f °C", float64(t))
}

func fahrenheit(t gravity.Celsius) float64 { return float64(t)*1.8 + 32 }

// setting is t as a thermostat is set, on the cold side: to half a °C or a °F.
func (w words) setting(t gravity.Celsius) gravity.Celsius {
	if w.fahr {
		return gravity.Celsius((math.Floor(fahrenheit(t)+1e-9) - 32) / 1.8)
	}
	return gravity.Celsius(math.Floor(float64(t)*2+1e-9) / 2)
}

// set says what a thermostat is to be set to: in °F a whole degree, never warmer
// than asked for, for nobody sets 35.6 °F.
func (w words) set(t gravity.Celsius) string {
	if w.fahr {
		return fmt.Sprintf("%.0f °F", fahrenheit(w.setting(t)))
	}
	return w.temp(t)
}

// volume says a volume in the unit that goes with the brewer's scale of
// temperature: whoever reads °F measures water in gallons.
func (w words) volume(v gravity.Litres) string {
	switch {
	case !w.fahr:
		return fmt.Sprintf("%.1f L", float64(v))
	case v.Gallons() < 1:
		return fmt.Sprintf("%.2f US gal", v.Gallons())
	}
	return fmt.Sprintf("%.1f US gal", v.Gallons())
}

// ceiling says the limit: "0.5 % ABV", "less than 0.5 % ABV" if strict.
func ceiling(c gravity.Ceiling) string {
	limit := strconv.FormatFloat(float64(c.Limit), 'f', -1, 64) + " % ABV"
	if c.Strict {
		return "less than " + limit
	}
	return limit
}

// short cuts a batch's name so that a title fits a lock screen.
func short(name string) string {
	const most = 24
	if r := []rune(name); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return name
}
