package projection

import "math"

// move is what happened to a float between two readings.
type move uint8

const (
	stayed    move = iota
	displaced      // it shows values far from its own: moved, fouled, wrong for a while
	replaced       // it is back in its place
	skipped        // not known yet: an outlier
)

const (
	// displacedSD is how far a displaced float may be off, points.
	displacedSD = 15.0
	// alikeFor is how many outliers in a row, each within alikeBy points of the
	// one before, make a displacement.
	alikeFor, alikeBy = 6, 2.5
	// movedFor is that of a float that had a place: 36 hours. Until then it may be out
	// of the beer, in another one or hanging, where it would tell that nothing ferments.
	movedFor = 36 * 4
	// placedBy is how many readings make a place.
	placedBy = 16
	// misplacedFor is how many alike are told.
	misplacedFor = 4
	// biasedSD is how many standard deviations of the usual offset are too many.
	biasedSD = 3.0
	// returns is the chance that a displaced float is back at the next reading.
	returns = 0.05
)

// listening is a reading about to be taken in.
type listening struct {
	warm, points       float64 // K above 18 °C, points
	hours, keep        float64 // since the reading before, and what is left of the slow error
	count              int
	foam               float64
	gravities, weights []float64
	odds               odds
	gains              gains
}

// foam is the share of belief in a lift.
func (f *float) foam(weights []float64) (share float64) {
	for i := range f.Means {
		if f.Means[i].Lift != 0 {
			share += weights[i]
		}
	}
	return share
}

// density is that of the reading after a move; it makes the gains to go with it.
func (f *float) density(l *listening, m move) (in float64) {
	f.shift(m)
	l.gains = f.gains(l.warm, l.count, l.foam)
	for i := range f.Means {
		h := &f.Means[i]
		mean := h.Mean.after(l.hours, l.keep, m)
		v := l.points - l.gravities[i] - mean.expected(l.warm) - h.Lift
		in += l.weights[i] * l.odds.total(v, h.Lift, l.gains.vary[h.Noise])
	}
	return in
}

// whereabouts finds out whether a reading is an outlier and whether the float
// was displaced or is back, and leaves the filters as it says. An outlier says
// nothing, the very first reading too; several alike in a row say that the
// float has another place.
func (f *float) whereabouts(l *listening) move {
	in := f.density(l, stayed)
	if f.Displaced {
		there, filters, gains := in, f.filters, l.gains
		if in = f.density(l, replaced); in*returns > there && in > l.odds.outlier {
			f.Skipped, f.Alike = 0, 0
			return replaced
		}
		in, f.filters, l.gains, f.Displaced = there, filters, gains, true
	}
	if l.odds.outlier <= in {
		f.Skipped, f.Alike = 0, 0
		return stayed
	}
	if f.Skipped > 0 && math.Abs(l.points-f.SkippedAt) < alikeBy {
		f.Alike++
	} else {
		f.Alike = 1
	}
	f.Skipped++
	f.SkippedAt, f.SkippedBy = l.points, f.off(l)
	f.OutOf += (1 - f.OutOf) * 0.05
	if f.Alike < f.settles() {
		return skipped
	}
	f.density(l, displaced)
	f.Skipped, f.Alike = 0, 0
	return displaced
}

// settles is how many outliers alike make a displacement.
func (f *float) settles() int {
	if len(f.Records) < placedBy {
		return alikeFor
	}
	return movedFor
}

// biased is how far a float is believed to lie above what it should show, points,
// and whether that is more than floats err by. What it shows is used, but only as far
// as it changes; by another unit or scale its changes would be wrong too.
func (f *float) biased(weights []float64) (by float64, so bool) {
	for i := range f.Means {
		by += weights[i] * (f.Means[i].Mean[fOffset] + f.Means[i].Mean[fMoved])
	}
	return by, math.Abs(by) > biasedSD*offsetSD
}

// off is how far a reading lies above what is expected of it, points.
func (f *float) off(l *listening) (by float64) {
	for i := range f.Means {
		h := &f.Means[i]
		mean := h.Mean.after(l.hours, l.keep, stayed)
		by += l.weights[i] * (l.points - l.gravities[i] - mean.expected(l.warm) - h.Lift)
	}
	return by
}

// shift makes the filters know of a move.
func (f *float) shift(m move) {
	if m == stayed {
		return
	}
	variance := 0.0
	if f.Displaced = m == displaced; f.Displaced {
		variance = displacedSD * displacedSD
	}
	for c := range f.filters {
		f.filters[c].move(variance)
	}
}

// after is the mean h hours on, when the slow error keeps the share keep, and
// after a move.
func (m *vec) after(h, keep float64, moved move) vec {
	v := *m
	v.on(h, keep)
	if moved != stayed {
		v[fMoved] = 0
	}
	return v
}
