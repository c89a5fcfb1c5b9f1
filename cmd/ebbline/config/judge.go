package config

import (
	"fmt"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// judge looks at what only makes sense together: a ceiling that this wort can
// never reach is a typing error; one that a sample has passed already is news.
func (r *reader) judge(o object, f *BatchFile) {
	b := f.Batch
	n := o.get("ceiling")
	if n == nil || b.Ceiling.Limit <= 0 || b.OriginalGravity <= 1 {
		return
	}
	if most := gravity.Utmost(b.OriginalGravity); b.Ceiling.Limit > most && b.Ceiling.Limit <= 20 {
		r.fail(n, "ceiling: %g %% ABV; this wort can make at most %.1f %% even if all its extract fermented, so there is nothing to watch", float64(b.Ceiling.Limit), float64(most))
	}
	r.doubt(o, f)
	for i, s := range f.Samples {
		if odd := b.Odd(s); len(odd) > 0 {
			f.Warnings = append(f.Warnings, fmt.Sprintf("%s: the sample of %s %s; was it misread?", r.place(o, i), s.Time.Format(time.RFC3339), oddWords(b, s, odd[0])))
			continue
		}
		if s.Gravity == nil {
			continue
		}
		if abv := b.Rule.ABV(b.OriginalGravity, *s.Gravity); !b.Ceiling.Holds(abv) {
			f.Warnings = append(f.Warnings, fmt.Sprintf("%s: the sample of %s means about %.2f %% ABV: the ceiling of %s %% is passed already",
				r.place(o, i), s.Time.Format(time.RFC3339), float64(abv), b.Ceiling))
			return // all later ones are beyond it too
		}
	}
}

// oddWords says what is odd of a sample.
func oddWords(b projection.Batch, s projection.Sample, odd projection.Oddity) string {
	og := float64(b.OriginalGravity)
	switch odd {
	case projection.AboveOriginal:
		return fmt.Sprintf("shows %.4f, more than the original gravity %.4f", float64(*s.Gravity), og)
	case projection.BelowAllExtract:
		return fmt.Sprintf("shows %.4f, less than wort of %.4f comes to with all its extract fermented", float64(*s.Gravity), og)
	case projection.BrixAboveOriginal:
		return fmt.Sprintf("shows %g °Bx, more than wort of %.4f has", float64(*s.Brix), og)
	case projection.BrixBelowExtract:
		return fmt.Sprintf("shows %g °Bx, less than wort of %.4f comes to with all its extract fermented", float64(*s.Brix), og)
	case projection.OddPH:
		return fmt.Sprintf("shows pH %g, and beer and wort lie between about 3 and 6", *s.PH)
	}
	return fmt.Sprintf("was read at %g °C, at which no hydrometer is read", float64(*s.Temperature))
}

// place is where the sample with that number stands.
func (r *reader) place(o object, sample int) string {
	n := o.items("samples")[sample]
	return fmt.Sprintf("%s:%d:%d", r.file, n.Line, n.Column)
}
