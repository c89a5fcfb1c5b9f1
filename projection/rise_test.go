package projection

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
)

// carried lifts a float by so many points within six hours, holds it for most of a
// day and lets it go.
func carried(from, by float64) func(h, v float64) float64 {
	return func(h, v float64) float64 {
		if h >= from && h < from+24 {
			v += by * min(1, (h-from)/6)
		}
		return v
	}
}

// Krausen that carries a float up within hours is no beer that stands still: what
// was read meanwhile is taken back, and the belief runs on.
func TestAFloatThatIsCarriedUpSlowlyIsNotBelieved(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	for _, by := range []float64{3, 6, 10} {
		e, b := fresh(t), beer{15, 12, 0.1, 9}
		send(e, b, 0, 38, "float-1", 1.5, carried(17, by))
		got := e.Estimate()
		require.InDelta(t, strengthAt(e, b), float64(got.ABV), 2.2*float64(got.ABVSD), "%g points: %% ABV ± %.3f", by, float64(got.ABVSD))
		require.Greater(t, float64(got.ABV), 0.1, "%g points: it goes on although the float does not fall", by)
		send(e, b, 38, 60, "float-1", 1.5, carried(17, by))
		got = e.Estimate()
		require.InDelta(t, strengthAt(e, b), float64(got.ABV), 2.6*float64(got.ABVSD), "%g points: let go again", by)
		require.False(t, e.floats[0].Rise.Carried)
		require.Less(t, e.steps-e.floats[0].LastStep, 4, "it is heard again")
	}
}

// A float that shows more than the beer can have is told of, however it got there:
// carried slowly or at once, put into another beer, or because something was added.
func TestAFloatThatHasRisenIsTold(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	at := func(by float64) func(h, v float64) float64 {
		return func(h, v float64) float64 {
			if h >= 24 {
				v += by
			}
			return v
		}
	}
	for name, c := range map[string]struct {
		change func(h, v float64) float64
		by     float64
	}{
		"slowly": {carried(24, 8), 8}, "by little": {at(4), 4}, "by much": {at(9), 9},
	} {
		e, b := fresh(t), beer{15, 12, 0.07, 9}
		send(e, b, 0, 24, "float-1", 1.5, c.change)
		require.Empty(t, e.Suspect(), name)
		send(e, b, 24, 38, "float-1", 1.5, c.change)
		require.Len(t, e.Suspect(), 1, name)
		require.Contains(t, []Doubt{Risen, Misplaced}, e.Suspect()[0].Doubt, name)
		require.InDelta(t, c.by, e.Suspect()[0].Size, 2, "%s: points", name)
	}
	e, b := fresh(t), beer{15, 12, 0.07, 9}
	send(e, b, 0, 80, "float-1", 1.5, nil)
	require.Empty(t, e.Suspect())
}

// Law: what is taken back was never said. The belief without it is that of a float
// that was silent then, but for what the random numbers do.
func TestForgettingIsNeverHavingHeard(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	b := beer{15, 12, 0.08, 9}
	misled, silent := fresh(t), fresh(t)
	send(misled, b, 0, 20, "float-1", 1.5, nil)
	send(silent, b, 0, 20, "float-1", 1.5, nil)
	before := misled.steps
	send(misled, b, 20, 28, "float-1", 1.5, func(h, v float64) float64 { return v + 0.15*(h-20) })
	send(silent, b, 20, 28, "float-1", 1.5, func(float64, float64) float64 { return math.NaN() })
	other := misled.Clone()
	seen := other.Estimate()
	misled.forget(misled.floats[0], before)
	require.Equal(t, seen, other.Estimate(), "a copy keeps what it knew")
	require.InDelta(t, len(silent.floats[0].Records), len(misled.floats[0].Records), 1)
	got, want := misled.Estimate(), silent.Estimate()
	require.InDelta(t, float64(want.ABV), float64(got.ABV), 0.4*float64(want.ABVSD))
	require.InEpsilon(t, float64(want.ABVSD), float64(got.ABVSD), 0.35)
}
