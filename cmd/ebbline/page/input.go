package page

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ebbline/projection/gravity"
)

// input reads a form's fields and collects what is wrong with them.
type input struct {
	form    url.Values
	errors  map[string]string
	offers  map[string]string
	units   Units
	loc     *time.Location
	now     time.Time
	pitched time.Time // zero: of a form that knows no batch
	// odd is what a person must say yes to before it is entered, in sentences.
	odd []string
	// took: an offer was taken; the form is shown again, for a person to look at.
	took bool
	// done is the word for what was done, of a form that does several things.
	done string
}

// readInput reads the form that was sent. The scales chosen in it are remembered;
// an offer that was taken stands in the place of what was typed. It answers
// itself if the form cannot be read.
func (s *Server) readInput(w http.ResponseWriter, r *http.Request, pitched time.Time) (*input, bool) {
	if err := r.ParseForm(); err != nil { // of no content type; others have passed withText
		s.trouble(w, r, http.StatusBadRequest, "Not understood", "The form arrived broken. Go back and send it again.")
		return nil, false
	}
	in := &input{
		form: r.PostForm, errors: map[string]string{}, offers: map[string]string{},
		units: s.unitsOf(r), loc: s.loc, now: s.opts.Now(), pitched: pitched,
	}
	if g := in.text("gravity_unit"); g != "" {
		in.units.Plato = g == scalePlato
	}
	if t := in.text("temperature_unit"); t != "" {
		in.units.Fahrenheit = t == scaleDegree
	}
	if in.form.Has("gravity_unit") || in.form.Has("temperature_unit") {
		s.keepUnits(w, r, in.units)
	}
	if name, rest, ok := strings.Cut(in.text("offer"), "|"); ok {
		if meant, typed, ok := strings.Cut(rest, "|"); ok && in.text(name) == strings.TrimSpace(typed) {
			in.form.Set(name, meant)
			in.took = true
		}
	}
	return in, true
}

func (in *input) text(name string) string { return strings.TrimSpace(in.form.Get(name)) }

// sheet shows the form again as it was typed.
func (in *input) sheet() sheet {
	typed := map[string]string{}
	for k, v := range in.form {
		if len(v) > 0 {
			typed[k] = v[0]
		}
	}
	return sheet{Key: in.text("key"), Values: typed, Errors: in.errors, Offers: in.offers, Odd: in.odd, Units: in.units}
}

func (in *input) good() bool { return len(in.errors) == 0 }

func (in *input) fault(name, format string, args ...any) {
	if in.errors[name] == "" {
		in.errors[name] = fmt.Sprintf(format, args...)
	}
}

// offer says what was probably meant and puts it within reach of a thumb.
func (in *input) offer(name, meant, format string, args ...any) {
	in.fault(name, format, args...)
	in.offers[name] = meant
}

// time reads a moment; an empty field means now. A phone's clock may be a
// little ahead of ours, so five minutes are let pass.
func (in *input) time(name string) time.Time {
	text := in.text(name)
	if text == "" {
		return in.now
	}
	t, err := time.ParseInLocation(localTime, text, in.loc)
	if err != nil {
		t, err = time.ParseInLocation(localTime+":05", text, in.loc)
	}
	switch {
	case err != nil:
		in.fault(name, "Not a time. Write it like %s.", in.now.In(in.loc).Format(localTime))
	case t.After(in.now.Add(5 * time.Minute)):
		in.fault(name, "That is in the future. Enter when it happened.")
	case t.Before(in.now.AddDate(-2, 0, 0)):
		in.fault(name, "That is more than two years ago. Check the year.")
	case t.Before(in.pitched.Truncate(time.Minute)):
		in.fault(name, "That is before the batch was pitched (%s).", clock(in.pitched, in.now, in.loc))
	case t.After(in.now):
		return in.now
	// The field knows no seconds: the minute of the pitch, or this very
	// minute, means the pitch, or now.
	case t.Before(in.pitched):
		return in.pitched
	case in.now.Sub(t) < time.Minute:
		return in.now
	}
	return t
}

// number reads a number; ok is false if the field is empty or wrong.
func (in *input) number(name, like string) (v float64, ok bool) {
	text := in.text(name)
	if text == "" {
		return 0, false
	}
	v, err := number(text)
	if err != nil {
		in.fault(name, "Not a number. Write it like %s; a decimal comma or point is fine.", like)
		return 0, false
	}
	return v, true
}

// gravity reads a gravity in the chosen scale, SG; nil if the field is empty or
// wrong.
func (in *input) gravity(name string) *float64 {
	like := "1.0115 or 1,0115"
	if in.units.Plato {
		like = "2.9 or 2,9"
	}
	v, ok := in.number(name, like)
	switch {
	case !ok:
		return nil
	case v >= 980 && v <= 1200:
		in.units.Plato = false
		meant := trim(math.Round(v*10) / 1e4)
		in.offer(name, meant, "Did you mean %s SG? Write it with its point or comma.", meant)
	case in.units.Plato:
		return in.plato(name, v)
	case v >= 0.980 && v <= 1.200:
		return &v
	case v >= 9800 && v <= 12000:
		meant := trim(math.Round(v) / 1e4)
		in.offer(name, meant, "Did you mean %s SG? Write it with its point or comma.", meant)
	case v > 1.2 && v <= 45:
		in.fault(name, "Not an SG: it lies between 0.980 and 1.200. If this is in °P, choose °P beside it.")
	default:
		in.fault(name, "Not the gravity of a beer. An SG lies between 0.980 and 1.200.")
	}
	return nil
}

// plato reads °P. An SG typed while °P is chosen would be taken for water.
func (in *input) plato(name string, v float64) *float64 {
	g := float64(gravity.Plato(v).SG())
	text := in.text(name)
	switch {
	case v >= 0.98 && v <= 1.2 && len(text) >= len("1.012"):
		in.fault(name, "%s looks like an SG, but °P is chosen beside it. Choose SG, or write °P with one decimal, such as 2.9.", text)
	case v < -5 || v > 45 || g < 0.980 || g > 1.200:
		in.fault(name, "Not the gravity of a beer. It lies between −5 and 45 °P.")
	default:
		return &g
	}
	return nil
}

// celsius reads a temperature in the chosen scale, °C with bounds in °C; nil if
// the field is empty or wrong.
func (in *input) celsius(name string, lo, hi float64) *float64 {
	v, ok := in.number(name, "19.5 or 19,5")
	if !ok {
		return nil
	}
	c := v
	if in.units.Fahrenheit {
		c = math.Round((v-32)/1.8*1e6) / 1e6
	}
	if c < lo || c > hi {
		in.fault(name, "Out of range: it lies from %s to %s.", in.units.temperature(lo), in.units.temperature(hi))
		return nil
	}
	return &c
}

// within reads a number with bounds; nil if the field is empty or wrong.
func (in *input) within(name string, lo, hi float64, unit, like string) *float64 {
	v, ok := in.number(name, like)
	switch {
	case !ok:
		return nil
	case v < lo || v > hi:
		in.fault(name, "Out of range: it lies from %s to %s %s.", minus(trim(lo)), trim(hi), unit)
		return nil
	}
	return &v
}

// ph reads a pH; nil if the field is empty or wrong.
func (in *input) ph(name string) *float64 {
	v, ok := in.number(name, "3.9 or 3,9")
	const lo, hi = 2.0, 8.0
	says := fmt.Sprintf("Out of range: a pH from %s to %s is taken, beer lies near 4.", trim(lo), trim(hi))
	switch {
	case !ok:
		return nil
	case v >= lo && v <= hi:
		return &v
	}
	for _, by := range []float64{10, 100} {
		if v/by >= lo && v/by <= hi {
			meant := trim(math.Round(v/by*1000) / 1000)
			in.offer(name, meant, "%s Did you mean %s?", says, meant)
			return nil
		}
	}
	in.fault(name, "%s", says)
	return nil
}

// need says that a field must not stay empty.
func (in *input) need(name, says string) {
	if in.text(name) == "" {
		in.fault(name, "%s", says)
	}
}

// oneOf reads a choice; what is empty means the first.
func (in *input) oneOf(name, says string, values ...string) string {
	v := in.text(name)
	if v == "" {
		return values[0]
	}
	for _, known := range values {
		if v == known {
			return v
		}
	}
	in.fault(name, "%s", says)
	return values[0]
}
