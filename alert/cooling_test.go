package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// A power cut takes cooler and sensor three hours after the crash. What the beer
// should have become meanwhile is nobody's measurement: it is not told as one, and
// that nobody knows is as urgent as beer that does not cool.
func TestAPowerCutWhileCoolingIsToldAsNotKnown(t *testing.T) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = cooling(48)
	s.alive = func(h float64) bool { return h <= 51 }
	s.until(48).enter("the crash is started", crashed(s.w.Now())).until(52.5)
	require.Contains(t, Sentence(s.b, s.w.State()), ", last measured at 10.8 °C 1 h 16 min ago.")
	require.InDelta(t, 10.8, float64(*s.w.State().Estimate.Temperature), 0.05, "the last one measured")
	s.until(72).page()
	st := s.w.State()
	require.Nil(t, st.Estimate.Temperature, "nobody measured it")
	said := Sentence(s.b, st)
	require.Contains(t, said, "whether the beer gets cold is not known. It was last measured at 10.8 °C, 21 h ago; the crash was started at 18:00 yesterday.")
	require.NotContains(t, said, "now at")
	require.NotContains(t, said, "then holds")
	line, err := (Event{Time: st.Now, Estimate: st.Estimate}).Line()
	require.NoError(t, err)
	require.Contains(t, string(line), `"temperature":null`)
	var told []*Alert
	for _, e := range s.told {
		if e.Alert.Kind == SensorSilent {
			told = append(told, e.Alert)
		}
	}
	require.Len(t, told, 1, "once, not of each sensor too: %s", s.out.String())
	require.Equal(t, Urgent, told[0].Severity)
	require.Contains(t, told[0].Title, "Whether it cools is not known")
	require.Contains(t, told[0].Message, "may have lost the same power")
	s.golden("powercut")

	data, err := s.w.Snapshot()
	require.NoError(t, err)
	again, err := RestoreWatch(s.b, Options{believe: &scripts{script: plain}}, data)
	require.NoError(t, err)
	require.Equal(t, said, Sentence(s.b, again.State()))

	s.alive = func(float64) bool { return true }
	s.until(72.5)
	require.NotContains(t, s.w.State().Open, SensorSilent, "it is over with the first temperature")
}

// A thermometer of its own that falls silent is as bad, though the float is heard;
// one of two is not, and neither is one of a beer that was seen cold.
func TestOnlyACoolingThatNothingTellsOfIsUrgent(t *testing.T) {
	for name, c := range map[string]struct {
		warm   string // the sensor that goes on giving a temperature
		silent float64
		urgent bool
	}{
		"none": {"", 51, true}, "the other": {"float-1", 51, false}, "cold already": {"", 62, false},
	} {
		b := brew()
		b.Sensors = []string{"float-1", "probe"}
		w, err := NewWatch(b, Options{believe: &scripts{script: plain}})
		require.NoError(t, err)
		var urgent, mild int
		for h := 0.25; h < 72; h += 0.25 {
			now := hour(h)
			obs := []projection.Observation{{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01}}
			for _, sensor := range b.Sensors {
				if sensor == c.warm || sensor == "probe" && h <= c.silent {
					obs = append(obs, projection.Observation{Time: now, Sensor: sensor, Quantity: projection.Temperature, Value: cooling(48)(h)})
				}
			}
			events := w.Observe(now, obs...)
			if h == 48 {
				events = append(events, w.Enter(now, crashed(now))...)
			}
			for _, a := range silences(events) {
				if a.Severity == Urgent {
					urgent++
				} else {
					mild++
				}
			}
		}
		require.Equal(t, c.urgent, urgent == 1, "%s: %d urgent", name, urgent)
		require.Equal(t, c.urgent, mild == 0, "%s: %d mild", name, mild)
	}
}

// Who enters a crash whose thermometer has been silent for long stands beside it: it
// is told two hours later.
func TestACrashUnderASilentThermometerIsToldAfterTwoHours(t *testing.T) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = cooling(48)
	s.alive = func(h float64) bool { return h <= 40 }
	s.until(48).enter("the crash is started", crashed(s.w.Now())).until(49.75)
	last := func() *Alert { return s.told[len(s.told)-1].Alert }
	require.NotEqual(t, Urgent, last().Severity, s.out.String())
	s.until(50.5)
	require.Equal(t, SensorSilent, last().Kind)
	require.Equal(t, Urgent, last().Severity)
	require.Equal(t, hour(50).Add(time.Minute), s.told[len(s.told)-1].Time)
}
