package ingest

import (
	"math"
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// tilts are invented: a float that stands steeper in heavier wort.
func tilts() []Pair {
	return []Pair{{25.3, 1.0000}, {31.1, 1.0041}, {36.8, 1.0080}, {42.2, 1.0121}, {47.9, 1.0163}, {52.4, 1.0199}}
}

// A polynomial is found again from points that lie on it, whatever its degree.
func TestAPolynomialIsFoundAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		degree := rapid.IntRange(1, MaxDegree).Draw(t, "degree")
		slope := rapid.Float64Range(2e-4, 9e-4).Draw(t, "slope")
		c := []float64{0.985, slope, rapid.Float64Range(0, 2e-6).Draw(t, "bend"), rapid.Float64Range(0, 2e-8).Draw(t, "third")}[:degree+1]
		var pairs []Pair
		for i := range degree + 2 + rapid.IntRange(0, 6).Draw(t, "more") {
			x := 15 + 6*float64(i) + rapid.Float64Range(-2, 2).Draw(t, "jitter")
			pairs = append(pairs, Pair{x, polynomial(c, x)})
		}
		f, err := FitPairs(Tilt, pairs, degree)
		require.NoError(t, err)
		for i, want := range c {
			require.InDelta(t, want, f.Coefficients[i], 1e-9*math.Pow(20, -float64(i))+1e-12, "coefficient %d", i)
		}
		require.Less(t, f.SD, 1e-9)
		require.InDelta(t, pairs[0].Shown, f.Low, 0)
		require.True(t, f.Outside(f.High+0.01) && f.Outside(f.Low-0.01) && !f.Outside(f.Low) && !f.Outside(f.High))
	})
}

// exact solves the normal equations in rational numbers (math/big): no rounding
// at all, and no QR.
func exact(pairs []Pair, degree int) []float64 {
	n := degree + 1
	m := make([][]*big.Rat, n)
	rat := func(x float64) *big.Rat { return new(big.Rat).SetFloat64(x) }
	power := func(x float64, k int) *big.Rat {
		p := rat(1)
		for range k {
			p.Mul(p, rat(x))
		}
		return p
	}
	for i := range n {
		m[i] = make([]*big.Rat, n+1)
		for j := range m[i] {
			m[i][j] = new(big.Rat)
			for _, p := range pairs {
				if j == n {
					m[i][j].Add(m[i][j], new(big.Rat).Mul(power(p.Shown, i), rat(p.Known)))
				} else {
					m[i][j].Add(m[i][j], power(p.Shown, i+j))
				}
			}
		}
	}
	for i := range n {
		for k := range n {
			if k == i {
				continue
			}
			q := new(big.Rat).Quo(m[k][i], m[i][i])
			for j := range m[k] {
				m[k][j].Sub(m[k][j], new(big.Rat).Mul(q, m[i][j]))
			}
		}
	}
	var out []float64
	for i := range n {
		x, _ := new(big.Rat).Quo(m[i][n], m[i][i]).Float64()
		out = append(out, x)
	}
	return out
}

// Against two references: least squares in exact rational arithmetic, and
// gonum's own LinearRegression for the straight line. What counts is the gravity
// that comes out: to a millionth of a point.
func TestFitAgainstReferences(t *testing.T) {
	shown := []Pair{{1.0004, 1.0000}, {1.0052, 1.0041}, {1.0093, 1.0080}, {1.0139, 1.0121}, {1.0178, 1.0163}, {1.0215, 1.0199}}
	for q, pairs := range map[Quantity][]Pair{Tilt: tilts(), Gravity: shown} {
		for degree := 1; degree <= MaxDegree; degree++ {
			f, err := FitPairs(q, pairs, degree)
			require.NoError(t, err)
			want := exact(pairs, degree)
			squares := 0.0
			for i, p := range pairs {
				require.InDelta(t, polynomial(want, p.Shown), f.At(p.Shown), 1e-9, "%s, degree %d", q, degree)
				require.InDelta(t, (p.Known-polynomial(want, p.Shown))*1000, f.Residuals[i], 1e-6)
				squares += math.Pow((p.Known-polynomial(want, p.Shown))*1000, 2)
			}
			require.InDelta(t, math.Sqrt(squares/float64(len(pairs)-degree-1)), f.SD, 1e-6)
		}
		var x, y []float64
		for _, p := range pairs {
			x, y = append(x, p.Shown), append(y, p.Known)
		}
		c0, c1 := stat.LinearRegression(x, y, nil, false)
		f, err := FitPairs(q, pairs, 1)
		require.NoError(t, err)
		require.InDelta(t, c0, f.Coefficients[0], 1e-10)
		require.InDelta(t, c1, f.Coefficients[1], 1e-10)
	}
}

func TestWhatCannotBeFitted(t *testing.T) {
	for name, one := range map[string]struct {
		q      Quantity
		pairs  []Pair
		degree int
		says   string
	}{
		"none":                  {Tilt, nil, 1, "0 different shown values; a curve of degree 1 needs at least 3"},
		"two for a line":        {Tilt, tilts()[:2], 1, "needs at least 3"},
		"four for a cubic":      {Tilt, tilts()[:4], 3, "needs at least 5"},
		"one value six times":   {Tilt, []Pair{{30, 1}, {30, 1.001}, {30, 1.002}, {30, 1.003}}, 1, "1 different shown values"},
		"too close":             {Tilt, []Pair{{30, 1}, {30.1, 1.001}, {30.2, 1.002}}, 1, "spread them over at least 2"},
		"gravity too close":     {Gravity, []Pair{{1.010, 1.0101}, {1.011, 1.0111}, {1.012, 1.0121}}, 1, "spread them over at least 0.004"},
		"up and down":           {Tilt, []Pair{{20, 1.000}, {30, 1.020}, {40, 1.030}, {50, 1.020}, {60, 1.000}}, 2, "turns within the values shown"},
		"a wave":                {Tilt, []Pair{{20, 1}, {30, 1.02}, {40, 1.01}, {50, 1.005}, {60, 1.03}}, 3, "turns within"},
		"level":                 {Tilt, []Pair{{20, 1.01}, {30, 1.01}, {40, 1.01}}, 1, "turns within"},
		"a float upside down":   {Gravity, []Pair{{1.00, 1.02}, {1.01, 1.01}, {1.02, 1.00}}, 1, "turns within"},
		"degree nought":         {Tilt, tilts(), 0, "degree 0; allowed is 1 to 3"},
		"degree four":           {Tilt, tilts(), 4, "degree 4"},
		"of a thermometer":      {Temperature, tilts(), 1, "not for temperature"},
		"too many":              {Tilt, make([]Pair, MaxPairs+1), 1, "at most 60"},
		"a gravity of 1013":     {Tilt, append(tilts(), Pair{55, 1013}), 1, "pair 7: known: 1013"},
		"a tilt of 400 degrees": {Tilt, append(tilts(), Pair{400, 1.01}), 1, "pair 7: shown: 400; allowed is -180 to 180"},
		"not a number":          {Tilt, append(tilts(), Pair{math.NaN(), 1.01}), 1, "pair 7: shown"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := FitPairs(one.q, one.pairs, one.degree)
			require.ErrorContains(t, err, one.says)
		})
	}
	_, err := FitPairs(Tilt, append(tilts(), Pair{400, 1.01}), 1)
	var p *PairError
	require.ErrorAs(t, err, &p)
	require.Equal(t, 6, p.Index)
}

// A float that falls with a rising tilt is as good as one that rises.
func TestATiltMayFall(t *testing.T) {
	f, err := FitPairs(Tilt, []Pair{{60, 1.000}, {50, 1.0072}, {40, 1.0145}, {30, 1.0221}}, 2)
	require.NoError(t, err)
	require.InDelta(t, 1.0108, f.At(45), 2e-4)
}

// What was fitted is what the mapper does with the next message.
func TestACalibrationIsUsed(t *testing.T) {
	f, err := FitPairs(Gravity, []Pair{{1.000, 1.0005}, {1.010, 1.0101}, {1.020, 1.0197}}, 1)
	require.NoError(t, err)
	m, err := Compile([]Sensor{{Name: "float-4", Topic: "shed/4", Readings: []ReadingSpec{
		{Quantity: Gravity, Pointer: "/sg", Unit: "sg", Calibration: f.Coefficients},
	}}})
	require.NoError(t, err)
	got, refused := m.Decode(Message{Topic: "shed/4", Payload: []byte(`{"sg": 1.015}`), Arrived: time.Unix(1.8e9, 0)})
	require.Empty(t, refused)
	require.Len(t, got, 1)
	require.InDelta(t, 1.0149, got[0].Value, 1e-9)
	_, refused = m.Decode(Message{Topic: "shed/4", Payload: []byte(`{"sg": 1.3}`), Arrived: time.Unix(1.8e9, 0)})
	require.Len(t, refused, 1, "what is shown must be a gravity too")
}
