package gravity

import (
	"errors"
	"fmt"
	"math"
)

// How a refractometer sees beer. Sucrose raises the refractive index by 0.001454
// per °Bx near 5 °Bx (ICUMSA: 1.33299 at nought, 1.34026 at 5 °Bx, 20 °C, 589 nm),
// ethanol by 0.00061 per % by weight up to 5 % (CRC Handbook, aqueous
// solutions). Both from memory. One per cent of ethanol by weight thus shows as
// 0.42 °Bx, with a doubt of about 0.03.
const (
	brixPerEthanol   = 0.00061 / 0.001454
	brixPerEthanolSD = 0.03
)

// LeastBrix is what a refractometer shows of a wort whose extract is all fermented:
// its ethanol alone.
func LeastBrix(og SG) Brix {
	oe := og.Plato()
	return Brix(float64(oe) / ethanolCost(oe) * brixPerEthanol)
}

// Refracted is what a refractometer tells of fermenting beer.
type Refracted struct {
	SG    SG // apparent gravity, as a float would show
	SD    Points
	ABV   ABV
	ABVSD ABV
}

// Refract tells gravity and strength of fermenting beer from what the
// refractometer showed of the wort at pitch and shows now, °Bx, either with the
// standard deviation readingSD (0.1 is a good instrument, 0.2 a usual one).
//
// Derived here: the instrument sees real extract and ethanol, B = RE + 0.42·W;
// by Balling's balance W grams of ethanol took (2.0665 − 0.010665·OE)·W of the
// extract; so W = (OE − B)/(2.0665 − 0.010665·OE − 0.42). Maltose is taken to
// refract like sucrose, which real worts do within about 4 % (common practice);
// that error is counted as 4 % of what was fermented.
//
// It is a coarse tool for a narrow window: with 0.1 °Bx a reading the strength
// is uncertain by 0.11 % ABV, with 0.2 by nearly twice that, a third of a ceiling of 0.5.
// Allowed are 1 to 30 °Bx of wort and a reading not above it by more than three
// standard deviations.
func Refract(wort, now Brix, readingSD float64) (Refracted, error) {
	switch {
	case !(wort >= 1 && wort <= 30):
		return Refracted{}, fmt.Errorf("refractometer: wort of %g °Bx; allowed is 1 to 30", float64(wort))
	case !(readingSD > 0 && readingSD <= 5):
		return Refracted{}, fmt.Errorf("refractometer: standard deviation %g °Bx; allowed is above 0 to 5", readingSD)
	case !(float64(now-wort) <= 3*readingSD):
		return Refracted{}, fmt.Errorf("refractometer: %g °Bx now is more than the %g of the wort; was one of them misread?", float64(now), float64(wort))
	}
	og := wort.SG()
	oe := og.Plato()
	seen := ethanolCost(oe) - brixPerEthanol // °Bx that vanish for each % by weight
	byWeight := float64(oe-now.SG().Plato()) / seen
	real := float64(oe) - ethanolCost(oe)*byWeight
	apparent := (real - float64(originalShare*oe)) / apparentShare
	if real < 0 {
		return Refracted{}, errors.New("refractometer: less than all extract would be left; was one of the readings taken of another beer?")
	}
	g := Plato(apparent).SG()
	doubt := math.Hypot(readingSD*math.Sqrt2/seen, byWeight*math.Hypot(brixPerEthanolSD/seen, 0.04))
	perWeight := ethanolCost(oe) / apparentShare * 3.9 // points of gravity for each % by weight
	return Refracted{
		SG: g, SD: Points(doubt * perWeight),
		ABV: ABW(byWeight).ByVolume(g), ABVSD: ABW(doubt).ByVolume(g),
	}, nil
}
