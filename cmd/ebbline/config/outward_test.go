package config

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

func TestWhatGoesOut(t *testing.T) {
	c, err := Load(testFiles + "good/outward.yaml")
	require.NoError(t, err)
	require.Equal(t, Alive{URL: "https://watcher.example/a-long-random-path", Every: 10 * time.Minute}, c.Alive)
	require.Equal(t, []Command{
		{Sensor: "float-1", Topic: "cellar/cooler/set", Payload: "on", QoS: 1, Within: 2 * time.Hour},
		{Batch: "pale wheat 12", Topic: "cellar/valve/2/set", Payload: `{"open": true}`, QoS: 2, Retain: true, Within: 45 * time.Minute},
	}, c.OnCrashNow)

	c, err = Load(testFiles + "good/contract.yaml")
	require.NoError(t, err)
	require.Empty(t, c.OnCrashNow, "off unless asked for")
	require.Empty(t, c.Alive.URL)
}

// A command is that of one vessel or batch, and the first in the file that fits.
func TestWhoseCommandItIs(t *testing.T) {
	c := &Config{OnCrashNow: []Command{{Sensor: "float-1", Topic: "a"}, {Batch: "brown-9", Topic: "b"}, {Batch: "pale wheat 12", Topic: "c"}}}
	for want, b := range map[string]projection.Batch{
		"a": {ID: "brown-9", Sensors: []string{"probe", "float-1"}},
		"b": {ID: "brown-9", Name: "brown 9", Sensors: []string{"float-10"}},
		"c": {ID: "pale-wheat-12-20260302", Name: "pale wheat 12"},
	} {
		require.Equal(t, want, c.Command(b).Topic)
	}
	require.Nil(t, c.Command(projection.Batch{ID: "mild", Sensors: []string{"float-2"}}))
}
