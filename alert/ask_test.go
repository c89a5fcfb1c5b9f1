package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The copy that questions are put to believes what the watch believes, and what
// is asked of it changes nothing in the watch.
func TestTheBeliefThatIsAskedIsACopy(t *testing.T) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	for _, m := range capture(t, "plain-00", 6*time.Hour) {
		w.Observe(m.at, m.obs...)
	}
	w.Tick(w.Now().Add(16 * time.Minute))
	before, err := w.Snapshot()
	require.NoError(t, err)
	e, ok := w.Belief()
	require.True(t, ok)
	now := w.State().Estimate
	got := e.Estimate()
	require.InDelta(t, float64(now.ABV), float64(got.ABV), 0.01, "a minute or so apart")
	e.CrashStarted(w.Now())
	e.Suppose(nil, w.Now().Add(time.Hour))
	after, err := w.Snapshot()
	require.NoError(t, err)
	require.Equal(t, before, after)
	end := w.Now()
	w.Enter(end, Input{Packaged: &end, Into: "keg"})
	_, ok = w.Belief()
	require.False(t, ok)
}
