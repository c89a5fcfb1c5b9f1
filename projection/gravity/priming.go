package gravity

import (
	"fmt"
	"math"
)

// Volumes is dissolved CO2 as litres of gas at 0 °C and 1 atm per litre of beer.
type Volumes float64

// Molar masses in g/mol, from the atomic weights of IUPAC.
const (
	molarCO2     = 44.0095
	molarEthanol = 46.0684
	// litresPerMole of CO2 at 0 °C and 1 atm, a real gas (Weiss 1974).
	litresPerMole = 22.263
	// gramsPerVolume of CO2 in a litre, g/L.
	gramsPerVolume = molarCO2 / litresPerMole
	// ethanolDensity at 20 °C, g/L (OIML R 22; from memory).
	ethanolDensity = 789.3
)

// Sugar is what beer is primed with, as sold, dry.
type Sugar string

// The sugars known: dextrose is sold as the monohydrate.
const (
	Glucose            Sugar = "glucose"
	GlucoseMonohydrate Sugar = "glucose_monohydrate"
	Sucrose            Sugar = "sucrose"
	Maltose            Sugar = "maltose"
	Maltotriose        Sugar = "maltotriose"
)

// Sugars lists the sugars known.
func Sugars() []Sugar {
	return []Sugar{Sucrose, Glucose, GlucoseMonohydrate, Maltose, Maltotriose}
}

// ParseSugar reads the name of a sugar; the empty name is sucrose.
func ParseSugar(s string) (Sugar, error) {
	if s == "" {
		return Sucrose, nil
	}
	for _, known := range Sugars() {
		if string(known) == s {
			return known, nil
		}
	}
	return "", fmt.Errorf("sugar %q is not known; sucrose, glucose, glucose_monohydrate, maltose or maltotriose", s)
}

// moles is how many moles of CO2, and of ethanol, one gram gives if it ferments
// wholly: C6H12O6 → 2 C2H5OH + 2 CO2. Practice reaches about 95 %.
func (s Sugar) moles() float64 {
	switch s {
	case Glucose:
		return 2 / 180.156
	case GlucoseMonohydrate:
		return 2 / 198.171
	case Sucrose, Maltose:
		return 4 / 342.297
	case Maltotriose:
		return 6 / 504.437
	}
	return math.NaN()
}

// Yield is the CO2 and the ethanol of one gram of s, g/g, if it ferments wholly.
// NaN for a sugar not known.
func (s Sugar) Yield() (co2, ethanol float64) {
	return s.moles() * molarCO2, s.moles() * molarEthanol
}

// PrimingABV is the strength, % by volume, that each added volume of CO2 brings
// when it comes from sugar: 0.262 % whatever the sugar, for the balance gives
// one ethanol for one CO2.
func PrimingABV(added Volumes) ABV {
	ethanol := float64(added) * gramsPerVolume * molarEthanol / molarCO2 // g/L
	return ABV(ethanol / ethanolDensity * 100)
}

// Dose is the sugar in g per litre that adds so many volumes of CO2. That a
// dose of syrup makes a little more beer is left out: below 1 %.
func (s Sugar) Dose(added Volumes) float64 {
	co2, _ := s.Yield()
	return float64(added) * gramsPerVolume / co2
}

// FermentationYield is the strength and the CO2 that a further drop in gravity
// makes in a beer of original gravity og that stands at from: by Balling's
// balance 0.9565 g of CO2 for each gram of ethanol, about 0.13 % ABV and 0.50
// volumes a point.
func FermentationYield(og, from SG, further Points) (ABV, Volumes) {
	to := from - SG(further)/1000
	gained := Balling.ABV(og, to) - Balling.ABV(og, from)
	gramsOf := func(g SG) float64 { // ethanol, g/L
		return float64(Balling.ABV(og, g).ByWeight(g)) / 100 * float64(g.Density())
	}
	return gained, Volumes((gramsOf(to) - gramsOf(from)) * 0.9565 / gramsPerVolume)
}

// Mixed is the strength of v litres of beer of strength a after ml millilitres
// of strength % by volume (a tincture, a liqueur) are added; volumes taken to
// add up. ml not below 0, strength 0 to 100.
func (a ABV) Mixed(v Litres, ml float64, strength ABV) (ABV, error) {
	if !(v > 0) || !(ml >= 0) || !(strength >= 0 && strength <= 100) {
		return 0, fmt.Errorf("%g mL of %g %% into %g L; allowed are volumes not below 0, beer above 0 L and 0 to 100 %%", ml, float64(strength), float64(v))
	}
	added := Litres(ml / 1000)
	return (a*ABV(v) + strength*ABV(added)) / ABV(v+added), nil
}
