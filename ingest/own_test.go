package ingest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Law: what the daemon publishes itself is never read back, also where a filter
// matches it and the payload holds what the sensor looks for.
func TestOwnStateIsNoReading(t *testing.T) {
	all := Sensor{Name: "all", Topic: "#", Readings: []ReadingSpec{{Quantity: Gravity, Pointer: "/gravity", Unit: "sg"}}}
	m, err := Compile([]Sensor{all})
	require.NoError(t, err)
	msg := Message{Topic: "ebbline/batch/pale/state", Payload: []byte(`{"gravity":1.0101}`), Arrived: time.Unix(1772474400, 0)}
	readings, refusals := m.Decode(msg)
	require.Empty(t, readings)
	require.Empty(t, refusals, "it is no fault of any device either")
	msg.Retained = true
	_, refusals = m.Decode(msg)
	require.Empty(t, refusals)
	msg.Topic, msg.Retained = "ebbline/float-1", false
	readings, _ = m.Decode(msg)
	require.Len(t, readings, 1, "a device may use the rest of the name")

	_, err = Compile([]Sensor{{Name: "mirror", Topic: "ebbline/batch/pale/state", Readings: all.Readings}})
	require.ErrorContains(t, err, "topics under ebbline/batch/ are what ebbline itself publishes")
}
