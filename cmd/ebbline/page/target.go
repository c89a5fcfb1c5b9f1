package page

import (
	"ebbline/alert"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// targetOf is the gravity at which a batch reaches its ceiling by its own rule,
// SG; nil if its numbers are not known, or if no fall of gravity reaches it.
func targetOf(b projection.Batch) *float64 {
	g, err := ruleOf(b).Target(b.OriginalGravity, b.Ceiling)
	if err != nil || b.Ceiling.Limit <= 0 {
		return nil
	}
	v := float64(g)
	return &v
}

func ruleOf(b projection.Batch) gravity.Rule {
	if b.Rule == "" {
		return gravity.Balling
	}
	return b.Rule
}

// fallen is the gravity that a believed strength stands for by the batch's own
// rule and original gravity, SG, and what one deviation of the strength takes
// from it. It is known better than the believed gravity: the error that the
// float had from the start is not in it.
func fallen(b projection.Batch, e *estimate) (g, sd gravity.SG) {
	rule := ruleOf(b)
	strength := gravity.ABV(max(e.ABV, 0))
	g = rule.GravityAt(b.OriginalGravity, strength)
	return g, g - rule.GravityAt(b.OriginalGravity, strength+gravity.ABV(e.ABVSD))
}

// worthy reports whether an original gravity is one to compute with.
func worthy(og gravity.SG) bool { return og >= 1.001 && og <= 1.2 }

// attenuation is alert.Attenuation, as the final sentence says it.
func attenuation(b projection.Batch, e *estimate) (share, sd float64, ok bool) {
	if !worthy(b.OriginalGravity) {
		return 0, 0, false
	}
	b.Rule = ruleOf(b)
	share, sd = alert.Attenuation(&b, &projection.Estimate{ABV: gravity.ABV(e.ABV), ABVSD: gravity.ABV(e.ABVSD)})
	return share, sd, true
}
