package projection

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestFilterOnTheNile checks the filter on the local level model of the Nile
// (R datasets::Nile; Durbin & Koopman, Time Series Analysis by State Space
// Methods, ch. 2) with their variances 15099 and 1469.1: predictions, their
// variances, gains, and the log-likelihood -632.5456 of the 99 innovations
// after a diffuse start, in which the constant is (n-1)/2·ln 2π.
func TestFilterOnTheNile(t *testing.T) {
	file, err := os.Open("../testdata/reference/nile_filter.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return v
	}
	f := newFilter(errorModel{wander: math.Sqrt(1469.1), white: math.Sqrt(15099), memory: 1})
	f.cov[fOffset][fOffset] = 15099 // exact diffuse start: the first value is the level
	level := vec{number(rows[1][2])}
	loglik := 0.0
	for _, row := range rows[2:] {
		f.spread(24)
		level.on(24, 0)
		gain, vary := f.gain(0, 1, 0)
		v := number(row[2]) - level.expected(0)
		require.InDelta(t, number(row[3]), level[fOffset], 2e-6, "prediction in %s", row[1])
		require.InDelta(t, number(row[4]), f.cov[fOffset][fOffset], 2e-6, "its variance in %s", row[1])
		require.InDelta(t, number(row[6]), vary, 2e-6, "variance of the innovation in %s", row[1])
		require.InDelta(t, number(row[7]), gain[fOffset], 1e-8, "gain in %s", row[1])
		loglik += math.Log(normal(v, vary))
		level[fOffset] += gain[fOffset] * v
		f.narrow(&gain, vary)
	}
	require.InDelta(t, -632.5456, loglik, 1e-4)
}
