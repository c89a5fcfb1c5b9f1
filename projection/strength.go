package projection

import "math"

// limits turns gravities of one batch into strength quickly.
type limits struct {
	ceiling float64 // % ABV
	low     float64 // original gravity of the table's first row, points
	drops   [64]float64
}

// tableStep is the distance of the table's rows, points.
const tableStep = 0.25

func newLimits(b Batch) limits {
	l := limits{ceiling: float64(b.Ceiling.Limit)}
	l.low = float64(b.OriginalGravity.Points()) - tableStep*float64(len(l.drops))/2
	for k := range l.drops {
		l.drops[k] = l.solve(l.low + tableStep*float64(k))
	}
	return l
}

// solve finds the drop at which the ceiling is reached from original gravity og.
func (l *limits) solve(og float64) float64 {
	low, high := 0.0, 200.0
	for range 60 {
		mid := (low + high) / 2
		if l.abv(og, mid) > l.ceiling {
			high = mid
		} else {
			low = mid
		}
	}
	return low
}

// critical is the drop from og beyond which the ceiling is broken, points.
func (l *limits) critical(og float64) float64 {
	x := (og - l.low) / tableStep
	k := int(math.Floor(x))
	k = min(max(k, 0), len(l.drops)-2)
	return l.drops[k] + (l.drops[k+1]-l.drops[k])*(x-float64(k))
}

// abv is Balling's strength after a drop in points from og points.
func (l *limits) abv(og, drop float64) float64 {
	s := 1 + og/1000
	f := s - drop/1000
	oe, ae := plato(s), plato(f)
	re := 0.1808*oe + 0.8192*ae
	return (oe - re) / (2.0665 - 0.010665*oe) * f / 0.794
}

func plato(s float64) float64 { return -616.868 + s*(1111.14+s*(-630.272+s*135.997)) }
