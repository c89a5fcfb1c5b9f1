package projection

import (
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
	"ebbline/projection/gravity"
)

func TestMain(m *testing.M) { os.Exit(quicktest.Main(m)) }

func testBatch() Batch {
	return Batch{
		ID: "pale wheat 12", OriginalGravity: 1.0150, Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: gravity.Balling,
		Risk: 0.05, Yeast: StandardYeast, PitchedAt: time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC),
		ResponseTime: 30 * time.Minute, Crash: Crash{To: 2, TimeConstant: 5 * time.Hour}, Sensors: []string{"float-1"},
	}
}

// feed gives hours of readings every 15 minutes of a beer that keeps its
// gravity for lag hours and then falls rate points an hour.
func feed(e *Estimator, from, to, lag, rate float64, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for h := from; h < to; h += 0.25 {
		at := e.batch.PitchedAt.Add(time.Duration(h * float64(time.Hour)))
		g := 15 - max(0, h-lag)*rate
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Temperature, Value: 19 + 0.05*rng.NormFloat64()})
		e.Observe(Observation{Time: at, Sensor: "float-1", Quantity: Gravity, Value: 1 + (g+1.5+0.35*rng.NormFloat64())/1000})
	}
}

func TestStoredBeliefGoesOnExactly(t *testing.T) {
	if quicktest.Ran(t) {
		return
	}
	a, err := New(testBatch())
	require.NoError(t, err)
	feed(a, 0, 30, 16, 0.08, 1)
	data, err := a.MarshalBinary()
	require.NoError(t, err)
	b, err := Restore(testBatch(), data)
	require.NoError(t, err)
	c := a.Clone()
	for _, e := range []*Estimator{a, b, c} {
		feed(e, 30, 50, 16, 0.08, 2)
	}
	require.Equal(t, a.Estimate(), b.Estimate())
	require.Equal(t, a.Project(), b.Project())
	require.Equal(t, a.Project(), c.Project())
}

func TestSilenceDoesNotStopTheClock(t *testing.T) {
	e, err := New(testBatch())
	require.NoError(t, err)
	feed(e, 0, 40, 16, 0.08, 1)
	before := e.Estimate()
	e.Advance(e.now.Add(24 * time.Hour))
	after := e.Estimate()
	require.Greater(t, after.ABV, before.ABV)
	require.Greater(t, after.GravitySD, before.GravitySD)
	p := e.Project()
	require.NotNil(t, p.CrashBy)
	require.True(t, p.CrashDue(e.now.Add(15*time.Minute), 30*time.Minute))
}

func TestAdvanceInTwoIsAdvanceInOne(t *testing.T) {
	a, err := New(testBatch())
	require.NoError(t, err)
	feed(a, 0, 40, 16, 0.08, 1)
	b := a.Clone()
	a.Advance(a.now.Add(7 * time.Hour))
	for range 7 * 12 {
		b.Advance(b.now.Add(5 * time.Minute))
	}
	require.Equal(t, a.Project(), b.Project())
	require.Equal(t, a.Estimate(), b.Estimate())
}

func TestSameInputsSameBelief(t *testing.T) {
	a, err := New(testBatch())
	require.NoError(t, err)
	b, err := New(testBatch())
	require.NoError(t, err)
	feed(a, 0, 40, 16, 0.08, 1)
	feed(b, 0, 40, 16, 0.08, 1)
	require.Equal(t, a.Estimate(), b.Estimate())
	require.Equal(t, a.Project(), b.Project())
}

func TestLookingChangesNothing(t *testing.T) {
	a, err := New(testBatch())
	require.NoError(t, err)
	feed(a, 0, 30, 16, 0.08, 1)
	b := a.Clone()
	for range 3 {
		a.Project()
		a.Estimate()
		a.Hold(12)
		a.Suspect()
	}
	feed(a, 30, 36, 16, 0.08, 2)
	feed(b, 30, 36, 16, 0.08, 2)
	require.Equal(t, b.Project(), a.Project())
}

func TestBatchesThatMakeNoSense(t *testing.T) {
	for name, change := range map[string]func(*Batch){
		"no identity":            func(b *Batch) { b.ID = "" },
		"no pitch":               func(b *Batch) { b.PitchedAt = time.Time{} },
		"gravity of water":       func(b *Batch) { b.OriginalGravity = 1 },
		"gravity of syrup":       func(b *Batch) { b.OriginalGravity = 1.3 },
		"no ceiling":             func(b *Batch) { b.Ceiling.Limit = 0 },
		"risk of nought":         func(b *Batch) { b.Risk = 0 },
		"risk of one":            func(b *Batch) { b.Risk = 1 },
		"unknown yeast":          func(b *Batch) { b.Yeast = "bread" },
		"unknown rule":           func(b *Batch) { b.Rule = "guess" },
		"negative response":      func(b *Batch) { b.ResponseTime = -time.Minute },
		"negative deviation":     func(b *Batch) { b.OriginalGravitySD = -1 },
		"negative time constant": func(b *Batch) { b.Crash.TimeConstant = -time.Hour },
	} {
		t.Run(name, func(t *testing.T) {
			b := testBatch()
			change(&b)
			_, err := New(b)
			require.Error(t, err)
			_, err = Restore(b, nil)
			require.Error(t, err)
		})
	}
}

func FuzzRestore(f *testing.F) {
	e, err := New(testBatch())
	require.NoError(f, err)
	data, err := e.MarshalBinary()
	require.NoError(f, err)
	f.Add(data[:200])
	f.Add([]byte{})
	f.Fuzz(func(_ *testing.T, data []byte) {
		if e, err := Restore(testBatch(), data); err == nil {
			e.Project()
		}
	})
}
