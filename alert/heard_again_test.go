package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// A batch is begun long after its pitch. Its sensor was taken for silent, and speaks:
// that is over at once, not at the next look, and is not told anew.
func TestASensorThatSpeaksIsNotSilentFromThenOn(t *testing.T) {
	w, _ := newSummed(t)
	require.Len(t, silences(w.Tick(pitch.Add(50*time.Hour))), 1)
	require.Equal(t, 2*time.Hour, w.MayYetSpeak(1))
	r, past := w.Retell(SensorSilent, 1)
	require.NotNil(t, r, "it is silent")
	require.False(t, past)

	at := pitch.Add(50*time.Hour + 3*time.Minute)
	said := w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	require.Len(t, said, 1)
	require.Equal(t, &Resolved{Kind: SensorSilent, N: 1, Why: heardAgain}, said[0].Resolved)
	require.Equal(t, at, said[0].Time)
	require.NotContains(t, w.State().Open, SensorSilent)
	require.Zero(t, w.MayYetSpeak(1))

	w.Tick(at.Add(14 * time.Hour))
	require.Contains(t, w.State().Open, SensorSilent, "another silence is another alert")
	require.Zero(t, w.MayYetSpeak(2), "it has spoken before")
}

// One that is heard, while the next look has not closed its alert, is not told.
func TestAnEndedSilenceIsNotToldAnew(t *testing.T) {
	w, _ := newSummed(t)
	w.Tick(pitch.Add(50 * time.Hour))
	w.heard.from("float-1", projection.Gravity, w.now)
	r, past := w.Retell(SensorSilent, 1)
	require.Nil(t, r)
	require.True(t, past)
}
