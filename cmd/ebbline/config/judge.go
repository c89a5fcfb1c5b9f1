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
	if most := utmost(b.OriginalGravity); b.Ceiling.Limit > most && b.Ceiling.Limit <= 20 {
		r.fail(n, "ceiling: %g %% ABV; this wort can make at most %.1f %% even if all its extract fermented, so there is nothing to watch", float64(b.Ceiling.Limit), float64(most))
	}
	for i, s := range f.Samples {
		if s.Gravity == nil {
			continue
		}
		if *s.Gravity > b.OriginalGravity+0.003 {
			f.Warnings = append(f.Warnings, fmt.Sprintf("%s: the sample of %s shows %.4f, more than the original gravity %.4f; was one of them misread?",
				r.place(o, i), s.Time.Format(time.RFC3339), float64(*s.Gravity), float64(b.OriginalGravity)))
		}
		if abv := balling(b.OriginalGravity, *s.Gravity); !b.Ceiling.Holds(abv) {
			f.Warnings = append(f.Warnings, fmt.Sprintf("%s: the sample of %s means about %.2f %% ABV: the ceiling of %s %% is passed already",
				r.place(o, i), s.Time.Format(time.RFC3339), float64(abv), b.Ceiling))
			return // all later ones are beyond it too
		}
	}
}

// place is where the sample with that number stands.
func (r *reader) place(o object, sample int) string {
	n := o.items("samples")[sample]
	return fmt.Sprintf("%s:%d:%d", r.file, n.Line, n.Column)
}

// Target is the gravity at which the batch reaches its ceiling. It is known
// here for Balling's rule only.
func Target(b projection.Batch) (gravity.SG, bool) {
	if b.Rule != gravity.Balling {
		return 0, false
	}
	low, high := gravity.SG(0.9), b.OriginalGravity
	for range 50 {
		if mid := (low + high) / 2; balling(b.OriginalGravity, mid) > b.Ceiling.Limit {
			low = mid
		} else {
			high = mid
		}
	}
	return high, true
}

// extract is °P from SG by the ASBC polynomial.
func extract(s gravity.SG) float64 {
	x := float64(s)
	return -616.868 + x*(1111.14+x*(-630.272+x*135.997))
}

// utmost is the strength if all extract of the wort became alcohol, % ABV, by
// Balling's 2.0665 g of extract for a gram of it. Real worts make less.
func utmost(og gravity.SG) gravity.ABV {
	oe := extract(og)
	return gravity.ABV(oe / (2.0665 - 0.010665*oe) / 0.794)
}

// balling is the strength by Balling's rule, good enough for a warning.
func balling(og, fg gravity.SG) gravity.ABV {
	oe, ae := extract(og), extract(fg)
	re := 0.1808*oe + 0.8192*ae
	return gravity.ABV((oe - re) / (2.0665 - 0.010665*oe) * float64(fg) / 0.794)
}
