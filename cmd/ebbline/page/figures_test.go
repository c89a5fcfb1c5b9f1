package page

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The strength of a beer and the fall that it stands for are two names of one
// thing.
func TestDropIsWhatTheStrengthStandsFor(t *testing.T) {
	for _, og := range []float64{1.008, 1.0132, 1.04} {
		for _, points := range []float64{0, 0.5, 3.8, 7} {
			e := &estimate{ABV: ballingABV(og, og-points/1000), ABVSD: 0.05}
			got, sd := drop(og, e)
			require.InDelta(t, points, got, 1e-6)
			require.InDelta(t, 0.05/0.13, sd, 0.03, "one point is about 0.13 %% ABV")
		}
	}
}

// Apparent attenuation by its definition: (OG − FG)/(OG − 1), common practice.
func TestAttenuation(t *testing.T) {
	b := pale()
	b.OriginalGravity, b.OriginalGravitySD = 1.0120, 0.4
	share, sd, ok := attenuation(b, &estimate{ABV: ballingABV(1.0120, 1.0090), ABVSD: 0})
	require.True(t, ok)
	require.InDelta(t, 25, share, 1e-4)
	require.InDelta(t, 25*0.4/12, sd, 1e-4)
	b.OriginalGravity = 1
	_, _, ok = attenuation(b, &estimate{})
	require.False(t, ok, "no attenuation of water")
}

func TestRate(t *testing.T) {
	c := whole(t, nil)
	b, err := c.journal.Batch(t.Context(), "pale-12")
	require.NoError(t, err)
	st, err := c.server.status(t.Context(), b)
	require.NoError(t, err)
	got, err := c.server.rate(t.Context(), st)
	require.NoError(t, err)
	require.Equal(t, 12*time.Hour, got.Over)
	before, _ := drop(1.0132, &estimate{ABV: (1.0132 - curve(36)) * 131})
	now, _ := drop(1.0132, &estimate{ABV: (1.0132 - curve(48)) * 131})
	require.InDelta(t, (before-now)*2, got.Value, 1e-6)
	require.Negative(t, got.Value, "gravity falls")
	require.InDelta(t, 0.06/0.13*math.Sqrt2*2, got.SD, 0.05)
}
