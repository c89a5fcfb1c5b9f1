package projection

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/deploy/quicktest"
	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

// brewing is a belief about a beer that has fermented for h hours and is not
// yet near its crash.
func brewing(t testing.TB, h float64) *Estimator {
	once, _ := brews.LoadOrStore(h, sync.OnceValue(func() *Estimator {
		e := fresh(t)
		send(e, beer{15, 16, 0.06, 9}, 0, h, "float-1", 1.5, nil)
		return e
	}))
	return once.(func() *Estimator)().Clone()
}

var brews sync.Map // what brewing gave, by hours

func TestAskingWhatIfChangesNothing(t *testing.T) {
	a := brewing(t, 34)
	before, err := a.MarshalBinary()
	require.NoError(t, err)
	was := a.Project()
	a.Hold(12)
	first := a.CrashAt(a.now.Add(5 * time.Hour))
	held, ok := a.HoldToMove(was.CrashBy.Add(6*time.Hour), 8, 19)
	after, err := a.MarshalBinary()
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.Equal(t, was, a.Project())
	require.Equal(t, first, a.CrashAt(a.now.Add(5*time.Hour)), "asked again, the same")
	again, okAgain := a.Clone().HoldToMove(was.CrashBy.Add(6*time.Hour), 8, 19)
	require.Equal(t, held, again)
	require.Equal(t, ok, okAgain)
}

func TestColderIsLater(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	states := []*Estimator{brewing(t, 20), brewing(t, 34), brewing(t, 44)}
	far := pitchedAt(states[0]).AddDate(1, 0, 0)
	when := func(p *time.Time) time.Time {
		if p == nil {
			return far
		}
		return *p
	}
	rapid.Check(t, func(t *rapid.T) {
		e := rapid.SampledFrom(states).Draw(t, "state")
		warm := rapid.Float64Range(8, 26).Draw(t, "warm")
		cold := rapid.Float64Range(4, warm).Draw(t, "cold")
		c, w := e.Hold(gravity.Celsius(cold)), e.Hold(gravity.Celsius(warm))
		require.LessOrEqual(t, c.Probability, w.Probability)
		for _, q := range [][2]*time.Time{{c.P10, w.P10}, {c.P50, w.P50}, {c.P90, w.P90}} {
			require.False(t, when(q[0]).Before(when(q[1])), "%g °C: %v, %g °C: %v", cold, q[0], warm, q[1])
		}
	})
}

func TestALaterCrashEndsStronger(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e := brewing(t, 34)
	rapid.Check(t, func(t *rapid.T) {
		soon := rapid.IntRange(0, 30*60).Draw(t, "soon")
		late := soon + rapid.IntRange(15, 12*60).Draw(t, "later")
		a := e.CrashAt(e.now.Add(time.Duration(soon) * time.Minute))
		b := e.CrashAt(e.now.Add(time.Duration(late) * time.Minute))
		const same = 1e-4 // % ABV: a night's swing of the room may take back so much
		require.LessOrEqual(t, a.ABV.P10, b.ABV.P10+same)
		require.LessOrEqual(t, a.ABV.P50, b.ABV.P50+same)
		require.LessOrEqual(t, a.ABV.P90, b.ABV.P90+same)
		require.LessOrEqual(t, a.Over, b.Over)
		require.LessOrEqual(t, a.ABV.P10, a.ABV.P50)
	})
}

// The crash by is the moment that keeps the accepted risk: what CrashAt finds
// there agrees, and a moment past stands for the present.
func TestCrashAtAgreesWithTheProjection(t *testing.T) {
	e := brewing(t, 34)
	p := e.Project()
	at := e.CrashAt(*p.CrashBy)
	require.LessOrEqual(t, at.Over, e.batch.Risk+1.0/futuresRun, "to one of the futures that are counted")
	require.Greater(t, e.CrashAt(p.CrashBy.Add(12*time.Hour)).Over, e.batch.Risk)
	now := e.CrashAt(e.now)
	require.InDelta(t, float64(p.ABVIfCrashedNow.P50), float64(now.ABV.P50), 0.02, "half an hour's response apart")
	require.Equal(t, now, e.CrashAt(e.now.Add(-9*time.Hour)))
	require.Equal(t, e.now, now.Start)
	start := e.now
	e.CrashStarted(start)
	require.Equal(t, start, e.CrashAt(start.Add(time.Hour)).Start, "there is one crash")
	_, ok := e.HoldToMove(start.Add(24*time.Hour), 8, 19)
	require.False(t, ok)
}

// Suppose agrees with the questions that ask for one thing at a time, and what
// is held colder until the same moment has made less alcohol by then.
func TestSupposingBothAgreesWithEach(t *testing.T) {
	e := brewing(t, 34)
	at, cool, warm := e.now.Add(10*time.Hour), gravity.Celsius(12), gravity.Celsius(24)
	free := e.Suppose(nil, at)
	require.Equal(t, e.CrashAt(at), free.Outcome)
	require.Equal(t, e.Project().Crosses, free.Crosses)
	require.Equal(t, e.Project().ABVIfLeft, free.IfLeft)
	c, w := e.Suppose(&cool, at), e.Suppose(&warm, at)
	require.Equal(t, e.Hold(12), c.Crosses)
	require.Equal(t, at, c.Start)
	require.Less(t, c.ABV.P50, w.ABV.P50)
	require.LessOrEqual(t, c.Over, w.Over)
	require.True(t, c.Crosses.P50.After(*w.Crosses.P50))
	e.CrashStarted(e.now)
	require.Equal(t, e.Suppose(nil, at), e.Suppose(&warm, at), "after the crash there is nothing to hold")
}

func TestHoldToMoveFindsTheWarmestThatDoes(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	e := brewing(t, 34)
	by := *e.Project().CrashBy
	rapid.Check(t, func(t *rapid.T) {
		target := by.Add(time.Duration(rapid.IntRange(-6*60, 60*60).Draw(t, "move")) * time.Minute)
		low := gravity.Celsius(rapid.Float64Range(6, 16).Draw(t, "low"))
		h, ok := e.HoldToMove(target, low, 19)
		c := e.Clone()
		c.holdAt = &h.At
		got := c.Project().CrashBy
		require.Equal(t, h.CrashBy, got)
		moved := got == nil || !got.Before(target)
		require.Equal(t, ok, moved)
		require.True(t, h.At >= low && h.At <= 19)
		if !ok {
			require.LessOrEqual(t, h.At, low, "what the coldest would do")
		}
		if ok && h.At < 19 {
			warmer := h.At + 0.3
			c.holdAt = &warmer
			if p := c.Project().CrashBy; warmer < 19 && p != nil {
				require.True(t, p.Before(target.Add(20*time.Minute)), "%v at %v is late enough too", warmer, p)
			}
		}
	})
	_, ok := e.HoldToMove(by, 19, 8)
	require.False(t, ok, "no span")
}

// Arrhenius with the published spread of activation energies of sugar uptake,
// 30.0 to 94.6 kJ/mol (Gee & Ramirez, J. Inst. Brew. 94 (1988) 175, as in the
// fact sheet): the way to the ceiling held at 12 °C is longer than at 19 °C by a
// factor between theirs, less what passes while the beer is still warm.
func TestHoldingAgreesWithPublishedEnergies(t *testing.T) {
	e := brewing(t, 34)
	tau := e.batch.Crash.TimeConstant
	warm, cold := e.Hold(19), e.Hold(12)
	w, c := warm.P50.Sub(e.now), cold.P50.Sub(e.now)
	least := time.Duration(float64(w-tau) / ferment.ArrheniusFactor(30.0, 12, 19))
	most := time.Duration(float64(w) / ferment.ArrheniusFactor(94.6, 12, 19))
	require.Greater(t, c, least)
	require.Less(t, c, most)
}

func pitchedAt(e *Estimator) time.Time { return e.batch.PitchedAt }

// BenchmarkHoldToMove is the dearest question: some ten projections on a copy.
func BenchmarkHoldToMove(b *testing.B) {
	e := brewing(b, 36)
	target := e.Project().CrashBy.Add(8 * time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		e.HoldToMove(target, 8, 19)
	}
}

// BenchmarkCrashAt is the end of a crash ten hours ahead.
func BenchmarkCrashAt(b *testing.B) {
	e := brewing(b, 36)
	for b.Loop() {
		e.CrashAt(e.now.Add(10 * time.Hour))
	}
}
