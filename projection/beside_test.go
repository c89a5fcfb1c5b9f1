package projection

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
)

// Of two floats in one beer that part, the higher one errs: one that hangs and
// trembles as much as it floated is found by the other, and the middle of the two is
// not believed.
func TestAFloatThatStandsStillBesideOneThatFalls(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 12, 0.09, 9}
	rng := rand.New(rand.NewPCG(3, 3))
	for h := 0.0; h < 60; h += 0.25 {
		send(e, b, h, h+0.25, "float-1", 1.5, nil)
		send(e, b, h, h+0.25, "float-2", -0.5, func(h, v float64) float64 {
			if h >= 24 {
				v = b.at(24) - 0.5 + 0.35*rng.NormFloat64()
			}
			return v
		})
		if h == 52 {
			got := e.Estimate()
			require.InDelta(t, strengthAt(e, b), float64(got.ABV), 2.6*float64(got.ABVSD), "%% ABV ± %.3f", float64(got.ABVSD))
			require.Less(t, float64(got.ABVSD), 0.1, "the other is heard")
			require.Len(t, e.Suspect(), 1)
			require.Equal(t, "float-2", e.Suspect()[0].Sensor)
			require.Equal(t, Risen, e.Suspect()[0].Doubt)
		}
	}
	again, err := e.MarshalBinary()
	require.NoError(t, err)
	back, err := Restore(e.batch, again)
	require.NoError(t, err)
	require.Equal(t, e.Suspect(), back.Suspect())
}

// Two floats that err by constants, and one of them by noise twice as large, are
// both believed.
func TestTwoFloatsThatOnlyDifferAreBothBelieved(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e, b := fresh(t), beer{15, 12, 0.07, 9}
	rng := rand.New(rand.NewPCG(4, 4))
	for h := 0.0; h < 70; h += 0.25 {
		send(e, b, h, h+0.25, "float-1", 2.5, nil)
		send(e, b, h, h+0.25, "float-2", -2, func(_, v float64) float64 { return v + 0.6*rng.NormFloat64() })
		require.Empty(t, e.Suspect(), "%g h", h)
	}
	for _, f := range e.floats {
		require.Less(t, e.steps-f.LastStep, 4)
	}
}

// Counts by which readings are put into rings are not believed below zero.
func TestRestoreRefusesCountsBelowZero(t *testing.T) {
	for name, spoil := range map[string]func(f *float){
		"calm":   func(f *float) { f.Calm.Heard = -3 },
		"rise":   func(f *float) { f.Rise.Heard = -3 },
		"beside": func(f *float) { f.other("float-2").Rise.Heard = -3 },
	} {
		e := fresh(t)
		send(e, beer{15, 12, 0.1, 9}, 0, 3, "float-1", 0, nil)
		spoil(e.floats[0])
		data, err := e.MarshalBinary()
		require.NoError(t, err)
		_, err = Restore(e.batch, data)
		require.ErrorContains(t, err, "less than never", name)
	}
}
