package gravity

import (
	"fmt"
	"math"
	"strings"
)

// Rules lists every rule, the one that takes the highest of the others last.
func Rules() []Rule { return []Rule{Balling, HMRC, Linear, Nonlinear, Cautious} }

// ParseRule reads the name of a rule; the empty name is Balling, the default.
func ParseRule(s string) (Rule, error) {
	if s == "" {
		return Balling, nil
	}
	for _, r := range Rules() {
		if string(r) == s {
			return r, nil
		}
	}
	return "", fmt.Errorf("rule %q is not known; balling, hmrc, linear, nonlinear or cautious", s)
}

// The numbers of Balling's balance of 1865, as in Cutaia, Reid & Speers,
// J. Inst. Brew. 115 (2009) 318: extract per gram of ethanol falls with the
// original extract. The share of the original in the real extract is from memory.
const (
	extractPerEthanol = 2.0665   // g/g, at an original extract of nought
	extractSlope      = 0.010665 // less per °P of original extract
	originalShare     = 0.1808   // of the original extract in the real extract
	apparentShare     = 1 - originalShare
	// ethanolSG is the relative density of ethanol at 60/60 °F, the divisor
	// widely printed (common practice); 0.7907 at 20/20 gives 0.4 % more.
	ethanolSG = 0.794
)

// ABV is the strength, % by volume, of a beer of original gravity og and
// apparent gravity fg by rule r. It rises as fg falls, over 0.980..1.200 (hmrc
// in steps). A gravity above og gives a negative strength: nothing is clamped.
// The empty rule is Balling; an unknown one gives NaN. It allocates nothing.
func (r Rule) ABV(og, fg SG) ABV {
	switch r {
	case Balling, "":
		return ballingABV(og, fg)
	case HMRC:
		return hmrcABV(og, fg)
	case Linear:
		return ABV(131.25 * (og - fg)) // common practice
	case Nonlinear:
		return nonlinearABV(og, fg)
	case Cautious:
		return max(ballingABV(og, fg), hmrcABV(og, fg), ABV(131.25*(og-fg)), nonlinearABV(og, fg))
	}
	return ABV(math.NaN())
}

// ballingABV is ABW·SG/0.794 with ABW by Balling's balance.
func ballingABV(og, fg SG) ABV {
	oe := og.Plato()
	return ABV(float64(apparentShare*(oe-fg.Plato())) / ethanolCost(oe) * float64(fg) / ethanolSG)
}

// ethanolCost is the extract in g that one gram of ethanol takes.
func ethanolCost(oe Plato) float64 { return extractPerEthanol - extractSlope*float64(oe) }

// nonlinearABV is Hall's formula, Zymurgy 18(2) 1995 (from memory).
func nonlinearABV(og, fg SG) ABV {
	return ABV(76.08 * (og - fg) / (1.775 - og) * fg / ethanolSG)
}

// hmrcBand is one line of the table: up to a difference of last tenths of a
// degree the factor is milli thousandths.
type hmrcBand struct{ last, milli float64 }

// hmrcBands is the table of HM Revenue and Customs, Excise Notice 226 (Beer
// duty) §30.2–30.3.
func hmrcBands() [11]hmrcBand {
	return [...]hmrcBand{
		{69, 125},
		{104, 126},
		{172, 127},
		{261, 128},
		{360, 129},
		{465, 130},
		{571, 131},
		{679, 132},
		{788, 133},
		{897, 134},
		{1007, 135},
	}
}

// hmrcFactor is the factor, in thousandths, for a difference in tenths of a
// degree. Beyond the table's end at 100.7 degrees its last factor goes on.
func hmrcFactor(tenths float64) float64 {
	bands := hmrcBands()
	for _, b := range bands {
		if tenths <= b.last {
			return b.milli
		}
	}
	return bands[len(bands)-1].milli
}

// hmrcABV is the difference in degrees, rounded to 0.1 as the notice says,
// times the factor of its band. Whole tenths keep the law's decimals exact.
func hmrcABV(og, fg SG) ABV {
	tenths := math.Round(float64(og-fg) * 1e4)
	return ABV(tenths * hmrcFactor(tenths) / 1e4)
}

// GravityAt is the apparent gravity at which a beer of original gravity og has
// the strength a by rule r: the inverse of [Rule.ABV], to better than 1e-9 SG.
// For hmrc, a staircase, it is the lowest gravity on the grid of 0.1 degree whose
// strength is not above a. It judges nothing: og in 1.000..1.200 and a within
// what the wort can make are the caller's; see [Rule.Target]. Allocates nothing.
func (r Rule) GravityAt(og SG, a ABV) SG {
	switch r {
	case Balling, "":
		return ballingGravity(og, a)
	case HMRC:
		return og - SG(hmrcTenths(a, false)/1e4)
	case Linear:
		return og - SG(a)/131.25
	case Nonlinear: // (og−f)·f = k
		k := a * ethanolSG * ABV(1.775-og) / 76.08
		return (og + SG(math.Sqrt(float64(og*og)-4*float64(k)))) / 2
	case Cautious:
		return max(ballingGravity(og, a), Linear.GravityAt(og, a), Nonlinear.GravityAt(og, a), HMRC.GravityAt(og, a))
	}
	return SG(math.NaN())
}

// ballingGravity solves Balling's rule for the apparent gravity by Newton's
// method; the start is good to 2 % of the drop, three steps to the last digit.
func ballingGravity(og SG, a ABV) SG {
	oe := float64(og.Plato())
	k := float64(a) * ethanolSG * ethanolCost(Plato(oe)) / apparentShare // (oe−ae(f))·f = k
	f := float64(og) - float64(a)/130.5
	for range 4 {
		ae := -616.868 + f*(1111.14+f*(-630.272+f*135.997))
		slope := 1111.14 + f*(-2*630.272+f*3*135.997)
		f -= ((oe-ae)*f - k) / (oe - ae - slope*f)
	}
	return SG(f)
}

// hmrcTenths is the largest difference, in tenths of a degree, whose strength is
// not above a, or is below it if strict.
func hmrcTenths(a ABV, strict bool) float64 {
	tenths := math.Ceil(float64(a) * 1e4 / 125) // no factor is smaller
	for ; ; tenths-- {
		at := ABV(tenths * hmrcFactor(tenths) / 1e4)
		if at < a || at == a && !strict || tenths < -1e6 || !finite(float64(a)) {
			return tenths
		}
	}
}

// ParseCeiling reads "0.5" (not more than) or "< 0.5" (less than), % ABV, with
// or without a percent sign. Allowed is 0 to 20, and above 0 for "less than".
func ParseCeiling(s string) (Ceiling, error) {
	text := strings.TrimSpace(s)
	rest, strict := strings.CutPrefix(text, "<")
	rest = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "%"))
	x, err := parseNumber(rest)
	if err != nil {
		return Ceiling{}, fmt.Errorf("ceiling %q is not a number; write 0.5 for not more than 0.5 %% ABV, or \"< 0.5\" for less than", s)
	}
	c := Ceiling{Limit: ABV(x), Strict: strict}
	return c, c.Validate()
}

// Validate says why a ceiling cannot be kept by any beer or is no ceiling of a
// weak one: allowed is 0 to 20 % ABV, above 0 for "less than".
func (c Ceiling) Validate() error {
	switch {
	case !(c.Limit >= 0 && c.Limit <= 20):
		return fmt.Errorf("ceiling %s %% ABV; allowed is 0 to 20", c)
	case c.Limit == 0 && c.Strict:
		return fmt.Errorf("ceiling %s %% ABV: no beer has less than no alcohol; write 0 for not more than 0", c)
	}
	return nil
}
