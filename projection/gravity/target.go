package gravity

import (
	"errors"
	"fmt"
	"math"
)

// ErrOutOfReach is the reason when a wort cannot make as much alcohol as the
// ceiling allows: there is no target gravity, nor need of one.
var ErrOutOfReach = errors.New("the wort cannot reach the ceiling")

// Target is the target gravity of a beer of original gravity og (1.000..1.200):
// the apparent gravity at which its strength by rule r equals the ceiling. A
// beer that stands there keeps it: for "less than", and on the steps of hmrc,
// it is the lowest gravity that does (to 1e-9). For cautious it is the highest
// of the rules' targets. The error wraps [ErrOutOfReach] if not even all the
// extract would make the ceiling.
func (r Rule) Target(og SG, c Ceiling) (SG, error) {
	if _, err := ParseRule(string(r)); err != nil {
		return 0, err
	}
	if !(og >= 1 && og <= 1.2) {
		return 0, fmt.Errorf("original gravity %.4f; allowed is 1.000 to 1.200 SG", float64(og))
	}
	if err := c.Validate(); err != nil {
		return 0, err
	}
	if most := Utmost(og); c.Limit > most {
		return 0, fmt.Errorf("%w: %s %% ABV, where a wort of %.4f makes at most %.1f %% even if all its extract fermented", ErrOutOfReach, c, float64(og), float64(most))
	}
	return r.target(og, c), nil
}

func (r Rule) target(og SG, c Ceiling) SG {
	switch r {
	case Cautious:
		high := SG(math.Inf(-1))
		for _, one := range Rules() {
			if one != Cautious {
				high = max(high, one.target(og, c))
			}
		}
		return high
	case HMRC:
		return og - SG(hmrcTenths(c.Limit, c.Strict)/1e4)
	}
	g := r.GravityAt(og, c.Limit)
	for step := SG(1e-12); !c.Holds(r.ABV(og, g)); step *= 2 {
		g += step // rounding, or "less than": the next that holds
	}
	return g
}

// Targets are the target gravities of every rule, by rule.
func Targets(og SG, c Ceiling) (map[Rule]SG, error) {
	all := make(map[Rule]SG, 5)
	for _, r := range Rules() {
		g, err := r.Target(og, c)
		if err != nil {
			return nil, err
		}
		all[r] = g
	}
	return all, nil
}

// Utmost is the strength, % ABV, if all extract of a wort became alcohol, by
// Balling's balance; real worts make less. Nought at and below 1.000.
func Utmost(og SG) ABV {
	oe := og.Plato()
	if oe <= 0 {
		return 0
	}
	dry := (-originalShare / apparentShare * oe).SG() // real extract nought
	return ballingABV(og, dry)
}

// RealExtract is what is left of the extract, °P, in a beer of original gravity
// og and apparent gravity fg: 0.1808·OE + 0.8192·AE (Balling; from memory).
func RealExtract(og, fg SG) Plato {
	return originalShare*og.Plato() + apparentShare*fg.Plato()
}

// ABW is alcohol in percent by weight.
type ABW float64

// ByWeight turns a strength by volume into one by weight for a beer of apparent
// gravity fg: ABV·0.794/SG.
func (a ABV) ByWeight(fg SG) ABW { return ABW(float64(a) * ethanolSG / float64(fg)) }

// ByVolume is the inverse of [ABV.ByWeight].
func (w ABW) ByVolume(fg SG) ABV { return ABV(float64(w) * float64(fg) / ethanolSG) }

// ApparentAttenuation is the share of the original extract that seems gone by
// the float, 0 to a little above 1 (alcohol makes beer lighter); NaN for a wort
// without extract.
func ApparentAttenuation(og, fg SG) float64 { return attenuation(og, fg.Plato()) }

// RealAttenuation is the share of the original extract that is gone, 0..1; NaN
// for a wort without extract.
func RealAttenuation(og, fg SG) float64 { return attenuation(og, RealExtract(og, fg)) }

func attenuation(og SG, left Plato) float64 {
	oe := og.Plato()
	if oe <= 0 {
		return math.NaN()
	}
	return float64((oe - left) / oe)
}
