package projection

import "math"

// A float's error is offset + drift·t + coefficient·(T − 18 °C) + a slow error
// that forgets itself in hours + white noise, + a displacement while it shows
// values far from its own, + a lift while foam holds it up. All but the lift are
// linear and normal, so each hypothesis carries only the mean of the five; their covariance is the same for all hypotheses that think
// the float equally noisy, and is kept once (a Rao-Blackwellised filter).
const (
	fOffset = iota
	fDrift  // points/day
	fWarm   // points/K
	fSlow   // points
	fMoved  // points, of a float that was moved or shows wrong values
	floatDim
)

type (
	vec [floatDim]float64
	mat [floatDim][floatDim]float64
)

// errorModel is the standard deviations of a float's errors.
type errorModel struct {
	offset float64 // points, before the first reading
	drift  float64 // points/day
	warm   float64 // points/K
	wander float64 // points/√day, the offset's own wandering
	slow   float64 // points, of the error that forgets itself
	memory float64 // h, how slowly
	white  float64 // points, of one reading
}

// filter is the covariance of a Kalman filter of a float's errors.
type filter struct {
	errors errorModel
	cov    mat
}

func newFilter(m errorModel) filter {
	f := filter{errors: m}
	f.cov[fOffset][fOffset] = m.offset * m.offset
	f.cov[fDrift][fDrift] = m.drift * m.drift
	f.cov[fWarm][fWarm] = m.warm * m.warm
	f.cov[fSlow][fSlow] = m.slow * m.slow
	return f
}

// spread carries the covariance over h hours.
func (f *filter) spread(h float64) {
	p, days := &f.cov, h/24
	keep := math.Exp(-h / f.errors.memory)
	for k := range floatDim {
		p[fOffset][k] += days * p[fDrift][k]
	}
	for k := range floatDim {
		p[k][fOffset] += days * p[k][fDrift]
	}
	for k := range floatDim {
		p[fSlow][k] *= keep
	}
	for k := range floatDim {
		p[k][fSlow] *= keep
	}
	p[fOffset][fOffset] += f.errors.wander * f.errors.wander * days
	p[fSlow][fSlow] += f.errors.slow * f.errors.slow * (1 - keep*keep)
}

// gain is the Kalman gain of a reading that is the median of count, taken warm
// kelvin above 18 °C, and the variance of its innovation. extra is variance
// that the reading has besides, points².
func (f *filter) gain(warm float64, count int, extra float64) (gain vec, vary float64) {
	h := vec{1, 0, warm, 1, 1}
	vary = f.errors.white*f.errors.white/float64(count) + extra
	for k := range floatDim {
		for l := range floatDim {
			gain[k] += f.cov[k][l] * h[l]
		}
		vary += h[k] * gain[k]
	}
	for k := range floatDim {
		gain[k] /= vary
	}
	return gain, vary
}

// narrow updates the covariance after a reading.
func (f *filter) narrow(gain *vec, vary float64) {
	for k := range floatDim {
		for l := range floatDim {
			f.cov[k][l] -= gain[k] * gain[l] * vary
		}
	}
}

// on carries a mean over h hours in which the slow error keeps the share keep.
func (m *vec) on(h, keep float64) {
	m[fOffset] += h / 24 * m[fDrift]
	m[fSlow] *= keep
}

// expected is what the float shows above the true gravity.
func (m *vec) expected(warm float64) float64 {
	return m[fOffset] + warm*m[fWarm] + m[fSlow] + m[fMoved]
}

// move forgets the displacement; what it is from now on is known to the variance
// given, points²: nothing for a float back in its place.
func (f *filter) move(variance float64) {
	for k := range floatDim {
		f.cov[fMoved][k], f.cov[k][fMoved] = 0, 0
	}
	f.cov[fMoved][fMoved] = variance
}
