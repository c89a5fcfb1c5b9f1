package page

import (
	"context"
	"fmt"
	"strings"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// A hand sample moves the belief of a whole batch. One that can hardly be right
// is kept only if whoever enters it says that it is so.

// oddWords are what is odd of a sample, a sentence or two each, in the brewer's
// scales; none of a usual one.
func oddWords(st *status, m Sample, u Units) []string {
	var out []string
	p := m.Measured()
	for _, o := range st.About.Odd(p) {
		out = append(out, oddText(st, p, o, u))
	}
	return out
}

// notOdd refuses an odd sample to a script, as the form asks a person.
func (s *Server) notOdd(ctx context.Context, id string, m Sample) error {
	b, err := s.opts.Journal.Batch(ctx, id)
	if err != nil {
		return err
	}
	st, err := s.status(ctx, b)
	if err != nil {
		return err
	}
	if why := oddWords(st, m, Units{}); len(why) > 0 {
		return &Refused{Field: "sure", Text: strings.Join(why, " ") + ` Send "sure": true to record it all the same.`}
	}
	return nil
}

func oddText(st *status, p projection.Sample, o projection.Oddity, u Units) string {
	og := float64(st.About.OriginalGravity)
	shown := ""
	if at20, ok := p.At20(); ok {
		shown = u.gravity(float64(*p.Gravity))
		if p.Temperature != nil && at20 != *p.Gravity {
			shown += fmt.Sprintf(" read at %s is %s at %s, which", u.temperature(float64(*p.Temperature)), u.gravity(float64(at20)), u.temperature(20))
		}
	}
	switch o {
	case projection.AboveOriginal:
		return fmt.Sprintf("%s is above the original gravity of %s, and fermenting beer only falls. Is a digit wrong, is it of another vessel, or was the sample not degassed?", shown, u.gravity(og))
	case projection.BelowAllExtract:
		return fmt.Sprintf("%s is lower than this wort of %s can get with all its extract fermented. Is a digit wrong, or is it of another vessel?", shown, u.gravity(og))
	case projection.HotSample:
		return fmt.Sprintf("%s is far too warm to read a hydrometer at%s. %sLet the sample cool to about %s and read it again.",
			u.temperature(float64(*p.Temperature)), beerIs(st, u), inFahrenheit(*p.Temperature, u), u.temperature(20))
	case projection.FrozenSample:
		was := ""
		if f := p.Temperature.Fahrenheit(); u.Fahrenheit {
			was = fmt.Sprintf(" If it was %s °C, choose °C beside it.", tenth(f))
		}
		return fmt.Sprintf("At %s beer is ice%s.%s", u.temperature(float64(*p.Temperature)), beerIs(st, u), was)
	case projection.BrixAboveOriginal:
		return fmt.Sprintf("%s °Bx is above the wort’s own, about %s °Bx by its original gravity of %s. Is it of another vessel, or not in °Bx?",
			trim(float64(*p.Brix)), tenth(float64(st.About.OriginalGravity.Plato())), u.gravity(og))
	case projection.BrixBelowExtract:
		return fmt.Sprintf("%s °Bx is less than this wort of %s can show with all its extract fermented, about %s °Bx. Was the refractometer wet, or set to nought on it?",
			trim(float64(*p.Brix)), u.gravity(og), tenth(float64(gravity.LeastBrix(st.About.OriginalGravity))))
	case projection.OddPH:
		return gravity.PH(*p.PH).Doubt()
	}
	return string(o)
}

// inFahrenheit asks whether a temperature taken as °C was meant as °F.
func inFahrenheit(c gravity.Celsius, u Units) string {
	if f := (float64(c) - 32) / 1.8; !u.Fahrenheit && f > 0 && f < 35 {
		return fmt.Sprintf("If it is in °F, that is %s. ", u.temperature(f))
	}
	return ""
}

// beerIs says how warm the beer was last, if a thermometer in it is heard.
func beerIs(st *status, u Units) string {
	last, ok := st.LastSeen[ingest.Temperature]
	if !ok {
		return ""
	}
	return "; the beer was last at " + u.temperature(last.Value)
}

// Measured is a sample as the estimator takes it.
func (m Sample) Measured() projection.Sample {
	p := projection.Sample{Time: m.Time, PH: m.PH}
	if m.Gravity != nil {
		p.Gravity = new(gravity.SG(*m.Gravity))
	}
	if m.Temperature != nil {
		p.Temperature = new(gravity.Celsius(*m.Temperature))
	}
	if m.Brix != nil {
		p.Brix = new(gravity.Brix(*m.Brix))
	}
	return p
}

// values spells what a sample measured: who says that it is so says it of these
// values, not of others typed after.
func (m Sample) values() string {
	var out []string
	for _, v := range []*float64{m.Gravity, m.Temperature, m.Brix, m.PH} {
		if v == nil {
			out = append(out, "-")
			continue
		}
		out = append(out, trim(*v))
	}
	return strings.Join(out, " ")
}
