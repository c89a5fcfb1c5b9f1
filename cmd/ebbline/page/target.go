package page

import "ebbline/projection"

// targetOf is the gravity at which a batch reaches its ceiling, SG, by the rule
// that the projection counts with (Balling); nil if no original gravity or
// ceiling is known, or if no fall of gravity reaches it.
//
// Balling 1865 in the form of Cutaia, Reid and Speers, J. Inst. Brew. 115
// (2009) 318; the coefficients of the real extract from memory.
func targetOf(b projection.Batch) *float64 {
	og, limit := float64(b.OriginalGravity), float64(b.Ceiling.Limit)
	if og <= 1 || og > 1.2 || limit <= 0 || ballingABV(og, lightest) < limit {
		return nil
	}
	g := gravityAt(og, limit)
	return &g
}

// lightest is the gravity below which no beer of ours ends, SG.
const lightest = 0.97

// gravityAt is the gravity at which a beer from og has this strength, SG.
func gravityAt(og, strength float64) float64 {
	lo, hi := lightest, og // strength falls as gravity rises
	for range 50 {
		if mid := (lo + hi) / 2; ballingABV(og, mid) > strength {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// ballingABV is the strength, % by volume, of a beer fermented from og to fg, SG.
func ballingABV(og, fg float64) float64 {
	oe, ae := plato(og), plato(fg)
	re := 0.1808*oe + 0.8192*ae
	return (oe - re) / (2.0665 - 0.010665*oe) * fg / 0.794
}

// plato is the extract in °P of a relative density, by the cubic of the ASBC.
func plato(s float64) float64 { return -616.868 + s*(1111.14+s*(-630.272+s*135.997)) }
