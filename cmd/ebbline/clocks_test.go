package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// Law: a clock that is slow by the same time again and again is told; a record
// that comes nearer is not, nor one late message.
func TestClocksThatAreWrong(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	var c deviceClocks
	require.Empty(t, c.health(at))
	for i := range 12 {
		now := at.Add(time.Duration(i) * time.Minute)
		c.heard([]ingest.Reading{
			{Sensor: "slow", Time: now.Add(-3 * time.Hour), Arrived: now},
			{Sensor: "right", Time: now.Add(-time.Minute), Arrived: now},
			{Sensor: "record", Time: at.Add(time.Duration(i)*time.Hour - 48*time.Hour), Arrived: now},
		}, []ingest.Refusal{{Topic: "cellar/late", Reason: ingest.NotANumber, Arrived: now}})
	}
	c.heard(nil, []ingest.Refusal{{Topic: "cellar/fast", Reason: ingest.ClockWrong, Detail: "the device's clock says 2031", Arrived: at}})
	items := c.health(at.Add(12 * time.Minute))
	require.Len(t, items, 2)
	require.Equal(t, "A device on cellar/fast: the device's clock says 2031. Set its clock.", items[0].Text)
	require.Contains(t, items[1].Text, "The clock of slow is 3h0m0s slow")
	require.False(t, items[1].OK)

	now := at.Add(20 * time.Minute)
	c.heard([]ingest.Reading{{Sensor: "slow", Time: now, Arrived: now}}, nil)
	require.Len(t, c.health(now), 1, "set right")
	require.Empty(t, c.health(at.Add(2*time.Hour)), "and forgotten")
}
