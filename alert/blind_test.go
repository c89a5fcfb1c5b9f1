package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// A crash that was called before any gravity was known is judged as if it had not
// been called, by the first look that knows one: what would not be called then is
// over, however near it is, unless it comes within the hour. What such a look has
// found to be due itself is insisted on like any other. Once over it is called anew
// when it is due, under a number that nobody has answered.
func TestACrashCalledBlindlyIsJudgedAnewAtFirstSight(t *testing.T) {
	const seen = 12.0 // h after the pitch
	float := func(from, to float64) func(*Watch) {
		return func(w *Watch) {
			var all []projection.Observation
			for h := from; h <= to; h += 0.25 {
				all = append(all, projection.Observation{Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0125, Time: hour(h)})
			}
			w.Observe(hour(seen), all...)
		}
	}
	sample := func(w *Watch) {
		g := gravity.SG(1.0125)
		w.Enter(hour(seen), Input{Ref: 1, Sample: &projection.Sample{Time: hour(seen), Gravity: &g}})
	}
	for name, c := range map[string]struct {
		sight func(*Watch)
		by    float64 // h after the pitch that the crash is believed due by at first sight
		later float64 // an hour after it
		open  [2]bool // one hour and six hours after it
		rings int     // by the end
	}{
		"four hours away":        {float(seen, seen), 17.5, 17.5, [2]bool{false, true}, 2},
		"a day away":             {float(seen, seen), 36, 36, [2]bool{false, false}, 1},
		"not needed":             {float(seen, seen), no, no, [2]bool{false, false}, 1},
		"within the hour":        {float(seen, seen), 13.4, 13.4, [2]bool{true, true}, 1},
		"due, then farther away": {float(seen, seen), 12, 17.5, [2]bool{true, true}, 1},
		"from a device's memory": {float(2, seen), 36, 36, [2]bool{false, false}, 1},
		"by hand":                {sample, 17.5, 17.5, [2]bool{false, true}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
				by := 9.0
				switch {
				case at.After(hour(seen + 0.9)):
					by = c.later
				case b.Gravities+b.Samples > 0:
					by = c.by
				}
				return belief0(1, 0.5, by, 1, 60, 0.97)
			}
			w, err := NewWatch(brew(), Options{believe: &scripts{script: script}})
			require.NoError(t, err)
			rings := 0
			to := func(h float64) {
				for _, e := range w.Tick(hour(h)) {
					if e.Alert != nil && e.Alert.Kind == CrashNow {
						rings++
					}
				}
			}
			to(seen - 0.1)
			require.Contains(t, w.State().Open, CrashNow)
			c.sight(w)
			for i, h := range []float64{seen + 1.2, seen + 6} {
				to(h)
				require.Equal(t, c.open[i], w.state.is(CrashNow), "%v h: %v", h, w.State().Projection.CrashBy)
			}
			require.Equal(t, c.rings, rings)
		})
	}
}
