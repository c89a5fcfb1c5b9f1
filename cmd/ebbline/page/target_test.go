package page

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// The target is that of the batch's own rule. The drops are those of the table
// stop_gravity.csv: from 1.012 to 0.5 % ABV.
func TestTargetIsByTheBatchsOwnRule(t *testing.T) {
	t.Parallel()
	for rule, drop := range map[gravity.Rule]float64{"": 3.847, gravity.Balling: 3.847, gravity.Linear: 3.810, gravity.Nonlinear: 3.950, gravity.HMRC: 4.0} {
		got := targetOf(projection.Batch{OriginalGravity: 1.012, Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: rule})
		require.NotNil(t, got, rule)
		require.InDelta(t, 1.012-drop/1000, *got, 1e-6, rule)
	}
}

func TestNoTargetWithoutItsNumbers(t *testing.T) {
	t.Parallel()
	for name, b := range map[string]projection.Batch{
		"no original gravity": {Ceiling: gravity.Ceiling{Limit: 0.5}},
		"no ceiling":          {OriginalGravity: 1.0132},
		"never reached":       {OriginalGravity: 1.0132, Ceiling: gravity.Ceiling{Limit: 12}},
		"an unknown rule":     {OriginalGravity: 1.0132, Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: "guess"},
	} {
		require.Nil(t, targetOf(b), name)
	}
}

// A strength and the gravity that it stands for are two names of one thing.
func TestFallenIsWhatTheStrengthStandsFor(t *testing.T) {
	t.Parallel()
	for _, og := range []gravity.SG{1.008, 1.0132, 1.04} {
		for _, points := range []gravity.SG{0, 0.5, 3.8, 7} {
			want := og - points/1000
			b := projection.Batch{OriginalGravity: og, Rule: gravity.Balling}
			got, sd := fallen(b, &estimate{ABV: float64(gravity.Balling.ABV(og, want)), ABVSD: 0.05})
			require.InDelta(t, float64(want), float64(got), 1e-8)
			require.InDelta(t, 0.05/0.13/1000, float64(sd), 3e-5, "one point is about 0.13 %% ABV")
		}
	}
}

func TestAttenuation(t *testing.T) {
	t.Parallel()
	b := projection.Batch{OriginalGravity: 1.0120, OriginalGravitySD: 0.4, Rule: gravity.Balling}
	want := 100 * gravity.ApparentAttenuation(1.0120, 1.0090)
	share, sd, ok := attenuation(b, &estimate{ABV: float64(gravity.Balling.ABV(1.0120, 1.0090))})
	require.True(t, ok)
	require.InDelta(t, 25, share, 0.5, "three of twelve points")
	require.InDelta(t, want, share, 1e-4)
	require.InDelta(t, want*0.4/12, sd, 1e-4)
	b.OriginalGravity = 1
	_, _, ok = attenuation(b, &estimate{})
	require.False(t, ok, "no attenuation of water")
}

func TestRate(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b, err := c.journal.Batch(t.Context(), "pale-12")
	require.NoError(t, err)
	st, err := c.server.status(t.Context(), b)
	require.NoError(t, err)
	got, err := c.server.rate(t.Context(), st)
	require.NoError(t, err)
	require.Equal(t, 12*time.Hour, got.Over)
	before, _ := fallen(pale(), &estimate{ABV: (1.0132 - curve(36)) * 131})
	now, _ := fallen(pale(), &estimate{ABV: (1.0132 - curve(48)) * 131})
	require.InDelta(t, float64(now-before)*1000*2, got.Value, 1e-6)
	require.Negative(t, got.Value, "gravity falls")
	require.InDelta(t, 0.06/0.13*math.Sqrt2*2, got.SD, 0.05)
}
