package gravity

import (
	"fmt"
	"math"
	"strings"
)

// PH is a measured acidity; beer lies in 3..5.
type PH float64

// The acidities at which what is said changes.
const (
	PHTrade  PH = 3.9 // finished beer of little alcohol lies below: common practice
	PHNoGrow PH = 4.0 // germs did not grow: Menz et al., J. Food Prot. 74 (2011) 1670
	PHGrow   PH = 4.3 // germs grew: the same
	PHAcid   PH = 4.6 // where the law ends acid food: 21 CFR 114.3
)

// Likely reports whether beer or wort can have this pH. They lie between about 3
// and 6, sour beer from 3.0 on (common practice); a meter's error is let pass.
func (p PH) Likely() bool { return p >= 2.8 && p <= 6.5 }

// Doubt says that a pH can hardly be right; "" for a likely one.
func (p PH) Doubt() string {
	if p.Likely() {
		return ""
	}
	return fmt.Sprintf("pH %g is hardly that of beer or wort, which lie between about 3 and 6. Is a digit wrong, or must the meter be set with its buffers first?",
		math.Round(float64(p)*100)/100)
}

// Against is why the pH that was measured last stands against packaging, and what
// to do; "" if it does not. One that no beer has is as none measured.
func (p PH) Against() string {
	if p.Likely() {
		return p.Judge().Text()
	}
	return strings.TrimSpace(p.Doubt() + " Measure it again before packaging. " + p.Judge().Text())
}

// Acidity is what a pH means for beer with too little alcohol to protect it.
type Acidity int

// The steps of acidity, in order of danger.
const (
	AcidityUsual  Acidity = iota // not above 3.9: the trade's habit; no proof of anything
	AcidityHigh                  // above 3.9
	AcidityStrong                // above 4.0
	AcidityGrowth                // 4.3 and above
	AcidityUnsafe                // above 4.6
)

// Judge places a measured pH. NaN is placed as unsafe: it was not measured.
func (p PH) Judge() Acidity {
	switch {
	case p <= PHTrade:
		return AcidityUsual
	case p <= PHNoGrow:
		return AcidityHigh
	case p < PHGrow:
		return AcidityStrong
	case p <= PHAcid:
		return AcidityGrowth
	}
	return AcidityUnsafe
}

// Text says what a step of acidity means and what to do; "" for the usual.
func (a Acidity) Text() string {
	switch a {
	case AcidityUsual:
		return ""
	case AcidityHigh:
		return "pH above 3.9, the usual limit of the trade for beer with this little alcohol: lower it with food acid before packaging."
	case AcidityStrong:
		return "pH above 4.0: below it germs that make people ill were not seen to grow in such beer, above it nothing is known to hold them. Lower it before packaging."
	case AcidityGrowth:
		return "pH at or above 4.3: germs that make people ill have been seen to grow in such beer. Do not package it like this; ask someone licensed."
	}
	return "pH above 4.6: unsafe to drink unless pasteurised by someone licensed to do it. Do not package it, do not serve it."
}
