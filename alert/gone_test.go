package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// A silent float that is swapped for another is not missed until the beer is
// packaged: its alert is over with the swap, and so would be a doubt about it.
func TestASensorTakenOutIsNotMissed(t *testing.T) {
	w, _ := newSummed(t)
	w.Observe(pitch, projection.Observation{Time: pitch, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	w.Tick(pitch.Add(6 * time.Hour))
	require.Contains(t, w.State().Open, SensorSilent)
	var over []Resolved
	for _, e := range w.Enter(w.Now(), Input{Sensors: []string{"cellar/float-2"}}) {
		if e.Resolved != nil {
			over = append(over, *e.Resolved)
		}
	}
	require.Equal(t, []Resolved{{Kind: SensorSilent, N: 1, Why: "the sensor is no longer in the batch"}}, over)
	require.NotContains(t, w.State().Open, SensorSilent)
	w.Tick(w.Now().Add(18 * time.Hour)) // past the quiet hours
	require.Contains(t, w.State().Open, SensorSilent, "the new one is missed in its turn")
}
