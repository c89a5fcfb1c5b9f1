package ingest

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// MaxDegree is the highest degree of a calibration that is fitted here: a float
// bends a little, and what bends more is noise.
const MaxDegree = 3

// MaxPairs bounds the pairs of one fit.
const MaxPairs = 60

// nearest is how far the shown values of a fit must spread: closer together, the
// errors of the readings decide the slope.
var nearest = map[Quantity]float64{Tilt: 2, Gravity: 0.004} //nolint:gochecknoglobals // a constant table; degrees, SG

// Pair is what a float showed and the gravity that was known by other means.
type Pair struct {
	Shown float64 `json:"shown"` // degrees, or SG
	Known float64 `json:"known"` // SG at 20 °C
}

// PairError is one pair that cannot be used.
type PairError struct {
	Index int    // in the list, from 0
	Field string // "shown" or "known"
	Text  string // what is wrong, and what is allowed
}

func (e *PairError) Error() string { return fmt.Sprintf("pair %d: %s: %s", e.Index+1, e.Field, e.Text) }

// Fit is a calibration found from pairs.
type Fit struct {
	// Coefficients are those of ReadingSpec.Calibration: c0 + c1·x + … gives SG.
	Coefficients []float64 `json:"coefficients"`
	// Low and High bound the shown values it rests on; beyond them it is a guess.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Residuals are known less fitted, in points, in the order of the pairs.
	Residuals []float64 `json:"residuals"`
	// SD is the residual standard deviation, points, for as many pairs as exceed
	// the number of coefficients.
	SD float64 `json:"sd"`
}

// At is the gravity that the fit gives for a shown value, SG.
func (f Fit) At(shown float64) float64 { return polynomial(f.Coefficients, shown) }

// Outside reports whether a shown value lies beyond the pairs.
func (f Fit) Outside(shown float64) bool { return shown < f.Low || shown > f.High }

// FitPairs finds the polynomial of a degree from 1 to MaxDegree that is nearest
// to the pairs by least squares (QR, gonum). q is Tilt or Gravity, which says
// what Shown is. It refuses too few pairs or too close ones, so that no curve is
// drawn through its own noise, and a curve that does not go one way throughout:
// one shown value would then stand for two gravities. Faults of single pairs are
// *PairError.
func FitPairs(q Quantity, pairs []Pair, degree int) (Fit, error) {
	if err := fitting(q, pairs, degree); err != nil {
		return Fit{}, err
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range pairs {
		low, high = min(low, p.Shown), max(high, p.Shown)
	}
	mid, half := (low+high)/2, (high-low)/2
	a := mat.NewDense(len(pairs), degree+1, nil)
	b := mat.NewVecDense(len(pairs), nil)
	for i, p := range pairs {
		z, x := (p.Shown-mid)/half, 1.0
		for k := range degree + 1 {
			a.Set(i, k, x)
			x *= z
		}
		b.SetVec(i, p.Known)
	}
	var qr mat.QR
	qr.Factorize(a)
	var c mat.VecDense
	if err := qr.SolveVecTo(&c, false, b); err != nil {
		return Fit{}, fmt.Errorf("these pairs do not determine a curve of degree %d: %w", degree, err)
	}
	scaled := c.RawVector().Data
	if !oneWay(q, scaled) {
		return Fit{}, fmt.Errorf("the curve of degree %d turns within the values shown, so that one of them would stand for two gravities: "+
			"take a lower degree, or look for a mistyped pair", degree)
	}
	f := Fit{Coefficients: unscaled(scaled, mid, half), Low: low, High: high}
	sum := 0.0
	for i, p := range pairs {
		r := (p.Known - polynomial(scaled, (pairs[i].Shown-mid)/half)) * 1000
		f.Residuals = append(f.Residuals, r)
		sum += r * r
	}
	f.SD = math.Sqrt(sum / float64(len(pairs)-degree-1))
	return f, nil
}

// fitting checks what is to be fitted.
func fitting(q Quantity, pairs []Pair, degree int) error {
	lo, hi := limits(q, "")
	switch {
	case q != Tilt && q != Gravity:
		return fmt.Errorf("a calibration is made for tilt or for gravity, not for %s", q)
	case degree < 1 || degree > MaxDegree:
		return fmt.Errorf("degree %d; allowed is 1 to %d", degree, MaxDegree)
	case len(pairs) > MaxPairs:
		return fmt.Errorf("%d pairs; at most %d", len(pairs), MaxPairs)
	}
	var shown []float64
	for i, p := range pairs {
		if !(p.Shown >= lo && p.Shown <= hi) {
			return &PairError{i, "shown", fmt.Sprintf("%g; allowed is %g to %g", p.Shown, lo, hi)}
		}
		if !inRange(Gravity, "sg", p.Known) {
			return &PairError{i, "known", fmt.Sprintf("%g; an SG lies from 0.980 to 1.200", p.Known)}
		}
		shown = append(shown, p.Shown)
	}
	slices.Sort(shown)
	if n := len(slices.Compact(shown)); n < degree+2 {
		return fmt.Errorf("%d different shown values; a curve of degree %d needs at least %d, one more than it has coefficients, so that the pairs can contradict it",
			n, degree, degree+2)
	}
	if d := nearest[q]; shown[len(shown)-1]-shown[0] < d {
		return fmt.Errorf("the shown values lie within %.4g of each other; spread them over at least %g, or their errors decide the slope", shown[len(shown)-1]-shown[0], d)
	}
	return nil
}

// oneWay reports whether c0 + c1·z + … goes one way throughout -1..1; up, for a
// gravity. Its slope has a degree of two at most, so ends and vertex say it all.
func oneWay(q Quantity, c []float64) bool {
	slope := []float64{c[1], 0, 0}
	for k := 2; k < len(c); k++ {
		slope[k-1] = float64(k) * c[k]
	}
	at := []float64{-1, 1}
	if v := -slope[1] / (2 * slope[2]); v > -1 && v < 1 { // NaN and infinite: none
		at = append(at, v)
	}
	up, down := true, q != Gravity
	for _, z := range at {
		s := polynomial(slope, z)
		up, down = up && s > 0, down && s < 0
	}
	return up || down
}

// unscaled turns a polynomial of z = (x-mid)/half into one of x.
func unscaled(c []float64, mid, half float64) []float64 {
	out := []float64{c[len(c)-1]}
	for k := len(c) - 2; k >= 0; k-- { // Horner's rule, with polynomials
		next := make([]float64, len(out)+1)
		for i, v := range out {
			next[i+1] += v / half
			next[i] -= v * mid / half
		}
		next[0] += c[k]
		out = next
	}
	return out
}
