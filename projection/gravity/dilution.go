package gravity

import "fmt"

// Diluted is a beer after water was added.
type Diluted struct {
	Water  Litres // added
	Volume Litres // of the beer then
	ABV    ABV
	SG     SG      // apparent
	Factor float64 // by which bitterness, colour and flavour shrink, 0..1
}

// Dilute adds water to v litres of beer of strength a and apparent gravity g.
// Volumes are taken to add up (they do to 0.1 % at these strengths), so litres
// of alcohol and points times litres, the extract, are conserved.
func Dilute(a ABV, g SG, v, water Litres) (Diluted, error) {
	if !(v > 0) || !(water >= 0) {
		return Diluted{}, fmt.Errorf("%g L of water into %g L of beer; beer must be above 0 L and water not below", float64(water), float64(v))
	}
	share := float64(v / (v + water))
	return Diluted{Water: water, Volume: v + water, ABV: a * ABV(share), SG: 1 + (g-1)*SG(share), Factor: share}, nil
}

// DiluteTo adds the water that brings a beer of strength a to the strength to,
// which is above nought. A beer not above it needs none.
func DiluteTo(a ABV, g SG, v Litres, to ABV) (Diluted, error) {
	if !(to > 0) {
		return Diluted{}, fmt.Errorf("no water brings a beer to %g %% ABV", float64(to))
	}
	if a <= to {
		return Dilute(a, g, v, 0)
	}
	return Dilute(a, g, v, v*Litres(a/to-1))
}
