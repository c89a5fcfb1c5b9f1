package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// speak gives a watch readings of one quantity every quarter of an hour.
func speak(w *Watch, from, to time.Duration, gravities bool) (said []Event) {
	for at := from; at < to; at += lookEvery {
		t := pitch.Add(at)
		obs := []projection.Observation{{Time: t, Sensor: "float-1", Quantity: projection.Temperature, Value: 19}}
		if gravities {
			obs = append(obs, projection.Observation{Time: t, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.013})
		}
		said = append(said, w.Observe(t, obs...)...)
	}
	return said
}

func silences(said []Event) (alerts []*Alert) {
	for _, e := range said {
		if e.Alert != nil && e.Alert.Kind == SensorSilent {
			alerts = append(alerts, e.Alert)
		}
	}
	return alerts
}

// A float whose gravities are refused, because it has changed its unit say, is
// missed although its temperatures go on.
func TestAFloatWithoutGravityIsMissed(t *testing.T) {
	w, _ := newSummed(t)
	require.Empty(t, silences(speak(w, time.Minute, 10*time.Hour, true)))
	said := speak(w, 10*time.Hour, 13*time.Hour, false)
	got := silences(said)
	require.Len(t, got, 1)
	require.Contains(t, got[0].Message, "No gravity has come from sensor float-1 since")
	require.Contains(t, got[0].Message, "whether its numbers are refused")
	require.Contains(t, got[0].Message, "The projection runs on without it")
	require.False(t, w.State().Silent, "its temperature is heard")
	speak(w, 13*time.Hour, 14*time.Hour, true)
	require.NotContains(t, w.State().Open, SensorSilent)
}

// A batch whose sensors have never given a gravity says so, once.
func TestABatchWithoutAnyGravityIsTold(t *testing.T) {
	w, _ := newSummed(t)
	got := silences(speak(w, time.Minute, 12*time.Hour, false))
	require.Len(t, got, 1)
	require.Contains(t, got[0].Title, "No gravity is heard")
	require.Contains(t, got[0].Message, "another unit than was stated")
	speak(w, 12*time.Hour, 13*time.Hour, true)
	require.NotContains(t, w.State().Open, SensorSilent)

	w, _ = newSummed(t)
	require.Empty(t, silences(speak(w, time.Minute, 12*time.Hour, true)))
}
