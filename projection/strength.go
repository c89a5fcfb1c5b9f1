package projection

import (
	"math"

	"ebbline/projection/gravity"
)

// limits turns gravities of one batch into strength and back quickly.
type limits struct {
	rule    gravity.Rule
	ceiling gravity.Ceiling
	low     float64 // original gravity of the table's first row, points
	drops   [128]float64
}

// tableStep is the distance of the table's rows, points.
const tableStep = 0.125

func newLimits(b Batch) limits {
	l := limits{rule: b.Rule, ceiling: b.Ceiling}
	l.low = float64(b.OriginalGravity.Points()) - tableStep*float64(len(l.drops))/2
	for k := range l.drops {
		l.drops[k] = l.solve(l.low + tableStep*float64(k))
	}
	return l
}

// solve finds the drop at which the ceiling is reached from original gravity og.
func (l *limits) solve(og float64) float64 {
	low, high := 0.0, 200.0
	for range 50 {
		mid := (low + high) / 2
		if l.ceiling.Holds(gravity.ABV(l.abv(og, mid))) {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// critical is the drop from og beyond which the ceiling is broken, points.
func (l *limits) critical(og float64) float64 {
	x := (og - l.low) / tableStep
	k := min(max(int(math.Floor(x)), 0), len(l.drops)-2)
	return l.drops[k] + (l.drops[k+1]-l.drops[k])*(x-float64(k))
}

// abv is the strength, % ABV, after a drop in points from og points.
func (l *limits) abv(og, drop float64) float64 {
	return float64(l.rule.ABV(gravity.Points(og).SG(), gravity.Points(og-drop).SG()))
}

// refracted is the Brix that a refractometer shows after a drop in points from
// og points: real extract and 0.42 °Bx for each percent of ethanol by weight
// (the balance behind gravity.Refract, here from the other side).
func refracted(og, drop float64) float64 {
	oe := float64(gravity.Points(og).SG().Plato())
	re := 0.1808*oe + 0.8192*float64(gravity.Points(og-drop).SG().Plato())
	return re + 0.42*(oe-re)/(2.0665-0.010665*oe)
}
