package gravity

import "fmt"

// SimpleSugar is the share of a wort's extract that a yeast which takes no
// maltose can use: glucose, fructose and, by most such yeasts, sucrose.
type SimpleSugar float64

// The usual span of that share: glucose and fructose 7 to 9 %, sucrose 3 % of
// the extract (wort analyses quoted in the trade, as of Lense); the mash can
// move it beyond.
const (
	SimpleSugarLow  SimpleSugar = 0.10
	SimpleSugarHigh SimpleSugar = 0.12
)

// ethanolPerPercent is the ethanol in g/L of one % by volume at 20 °C.
const ethanolPerPercent = ethanolDensity / 100

// Cap is the strength at which a yeast that takes no maltose comes to rest in a
// wort of original gravity og: its simple sugar times 1/2.0665 g of ethanol for
// each gram of extract (Balling). Share 0..1.
func (s SimpleSugar) Cap(og SG) ABV {
	extract := float64(og.Plato()) / 100 * float64(og.Density()) // g/L
	return ABV(extract * float64(s) / extractPerEthanol / ethanolPerPercent)
}

// OriginalGravityFor is the highest original gravity at which such a batch
// comes to rest at its ceiling or below on its own. Share above 0, to 1. A wort
// of 1.200 is the most it answers.
func (s SimpleSugar) OriginalGravityFor(c Ceiling) (SG, error) {
	if err := c.Validate(); err != nil {
		return 0, err
	}
	if !(s > 0 && s <= 1) {
		return 0, fmt.Errorf("share of simple sugar %g; allowed is above 0 to 1", float64(s))
	}
	low, high := SG(1), SG(1.2)
	for range 50 {
		if mid := (low + high) / 2; c.Holds(s.Cap(mid)) {
			low = mid
		} else {
			high = mid
		}
	}
	return low, nil
}
