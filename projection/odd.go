package projection

import "ebbline/projection/gravity"

// Oddity names why a hand sample can hardly be of this beer, or hardly be read
// right, whatever else is known.
type Oddity string

// The oddities.
const (
	AboveOriginal     Oddity = "above the original gravity"
	BelowAllExtract   Oddity = "below all extract"
	HotSample         Oddity = "hot"
	FrozenSample      Oddity = "frozen"
	BrixAboveOriginal Oddity = "°Bx above the original gravity"
	BrixBelowExtract  Oddity = "°Bx below all extract"
	OddPH             Oddity = "pH of no beer"
)

// What a sample is let pass, so that nobody is asked about a usual error: three
// deviations of it and of the original gravity together, and °Bx of a maltose
// wort that shows 4 % more than sucrose. Below, °Bx needs none: what no yeast
// ferments is a fifth of a wort's extract at least (common practice), 0.5 °Bx and more.
const (
	oddBy       = gravity.Points(2)
	oddBrix     = 0.8
	maltoseBrix = 1.04
)

// A hydrometer is read in a sample near 20 °C (common practice). A warmer one than
// hotSample is wort from the mash or the kettle, or °F; beer is ice below frozenSample.
const (
	hotSample    = gravity.Celsius(35)
	frozenSample = gravity.Celsius(-1)
)

// At20 is the gravity that the sample would show at 20 °C, by a hydrometer of
// glass; false: none was measured.
func (s Sample) At20() (gravity.SG, bool) {
	switch {
	case s.Gravity == nil:
		return 0, false
	case s.Temperature == nil:
		return *s.Gravity, true
	}
	return gravity.Correct(*s.Gravity, *s.Temperature, 20, glass), true
}

// Odd lists what is odd of a sample of a batch; none of a usual one. A gravity
// read at an odd temperature is not judged besides.
func (b Batch) Odd(s Sample) []Oddity {
	var out []Oddity
	at20, measured := s.At20()
	og := b.OriginalGravity
	switch {
	case !measured:
	case s.Temperature != nil && *s.Temperature > hotSample:
		out = append(out, HotSample)
	case s.Temperature != nil && *s.Temperature < frozenSample:
		out = append(out, FrozenSample)
	case at20 > og+oddBy.SG()-1:
		out = append(out, AboveOriginal)
	case gravity.RealExtract(og, at20+oddBy.SG()-1) < 0:
		out = append(out, BelowAllExtract)
	}
	switch {
	case s.Brix == nil:
	case float64(*s.Brix) > maltoseBrix*float64(og.Plato())+oddBrix:
		out = append(out, BrixAboveOriginal)
	case *s.Brix < gravity.LeastBrix(og):
		out = append(out, BrixBelowExtract)
	}
	if s.PH != nil && !gravity.PH(*s.PH).Likely() {
		out = append(out, OddPH)
	}
	return out
}
