package gravity

import (
	"errors"
	"fmt"
	"math"
)

// Errors are the standard deviations, in points, of what a stop rests on.
type Errors struct {
	// OriginalGravity is that of the sample at pitch; 0: known exactly.
	OriginalGravity Points
	// Float is what is left of the float's error at the stop, after its offset
	// was learned from samples; 0: there is no float.
	Float Points
	// Sample is that of the last sample by hand; 0: there is none.
	Sample Points
}

// Drop is the standard deviation of the drop from original gravity to gravity,
// points: float and sample weigh by their inverse variances, independent of the
// sample at pitch.
func (e Errors) Drop() (Points, error) {
	for _, sd := range [...]Points{e.OriginalGravity, e.Float, e.Sample} {
		if !(sd >= 0 && sd <= 100) {
			return 0, fmt.Errorf("standard deviation of %g points; allowed is 0 to 100", float64(sd))
		}
	}
	var weight float64
	for _, sd := range [...]Points{e.Float, e.Sample} {
		if sd > 0 {
			weight += 1 / float64(sd*sd)
		}
	}
	if weight == 0 {
		return 0, errors.New("neither float nor sample tells the gravity; give the standard deviation of one")
	}
	return Points(math.Sqrt(float64(e.OriginalGravity*e.OriginalGravity) + 1/weight)), nil
}

// ChanceAbove is the probability that a beer stopped where its gravity seems to
// be g is above the ceiling by rule r, if the errors are normal.
func (r Rule) ChanceAbove(og, g SG, c Ceiling, e Errors) (float64, error) {
	target, sd, err := r.marginOf(og, c, e)
	if err != nil {
		return 0, err
	}
	return normalBelow(float64(drop(target, g) / sd)), nil
}

// StopAt is the gravity to stop at so that the chance of being above the
// ceiling is risk, in (0, 1): above the target gravity by the margin for the
// measuring errors. It lies above og if the errors use up the whole drop.
func (r Rule) StopAt(og SG, c Ceiling, e Errors, risk float64) (stop SG, margin Points, err error) {
	if !(risk > 0 && risk < 1) {
		return 0, 0, fmt.Errorf("risk %g; allowed is above 0 and below 1, like 0.05", risk)
	}
	target, sd, err := r.marginOf(og, c, e)
	if err != nil {
		return 0, 0, err
	}
	margin = sd * Points(-NormalQuantile(risk))
	return target + SG(margin)/1000, margin, nil
}

func (r Rule) marginOf(og SG, c Ceiling, e Errors) (SG, Points, error) {
	target, err := r.Target(og, c)
	if err != nil {
		return 0, 0, err
	}
	sd, err := e.Drop()
	return target, sd, err
}

// normalBelow is the standard normal distribution function.
func normalBelow(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// NormalQuantile is the inverse of the standard normal distribution function;
// p in (0, 1).
func NormalQuantile(p float64) float64 { return -math.Sqrt2 * math.Erfcinv(2*p) }

// drop is how far gravity fell from one to the other, points.
func drop(from, to SG) Points { return Points((from - to) * 1000) }
