package alert

import (
	"strings"
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

// A crashed beer above its ceiling that is warm still, warm again, or may be for all
// that is known, rises on: it is to be cooled first, and no water is named on the page.
func TestWarmBeerAboveItsCeilingIsToBeCooledAfterTheCrashToo(t *testing.T) {
	over := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		e, p := plain(at, b)
		if at.After(hour(55)) {
			e.ABV, p.OverNow = 0.56, 0.95
			p.ABVIfLeft = projection.Quantiles{P10: 0.54, P50: 0.6, P90: 0.66}
		}
		return e, p
	}
	ends := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		e, p := plain(at, b)
		if at.After(hour(55)) {
			p.Crosses.Probability = 0.8
		}
		return e, p
	}
	warm := func(float64) float64 { return 18 }
	again := func(h float64) float64 {
		if h > 66 {
			return 12
		}
		return cooling(48)(h)
	}
	for name, c := range map[string]struct {
		script   script
		temp     func(float64) float64
		silent   float64
		starts   string
		contains string
	}{
		"not cooling":       {over, warm, 100, "Cool it now all the same: in 19 of 20 cases the beer is now above", "It goes on rising while it is warm, now at 18.0 °C. The crash was started at 18:00 yesterday."},
		"warm again":        {over, again, 100, "Cool it now all the same: in 19 of 20 cases", "It goes on rising while it is warm, now at 12.0 °C."},
		"not known":         {over, cooling(48), 51, "Look whether it cools: in 19 of 20 cases", "It goes on rising if it is warm, last measured at 10.8 °C 19 h ago."},
		"will, not cooling": {ends, warm, 100, "Look at the cooling: the beer does not get cold, now at 18.0 °C", ""},
		"cold":              {over, cooling(48), 100, "In 19 of 20 cases the beer is now above", "Diluting the 19.0 L with"},
	} {
		t.Run(name, func(t *testing.T) {
			s := tell(t, brew(), Options{}, &scripts{script: c.script})
			s.temp = c.temp
			s.alive = func(h float64) bool { return h <= c.silent }
			s.until(48).enter("the crash is started", crashed(s.w.Now())).until(70)
			said := Sentence(s.b, s.w.State())
			require.True(t, strings.HasPrefix(said, c.starts), said)
			require.Contains(t, said, c.contains)
			require.Equal(t, name == "cold", strings.Contains(said, "Diluting"), said)
			n := s.w.book.of(OverCeiling, "").N
			r, _ := s.w.Retell(OverCeiling, n)
			require.NotNil(t, r, s.out.String())
			if name == "will, not cooling" {
				require.Contains(t, r.Message, "Cool it now. It goes on rising while it is warm, now at 18.0 °C. Although the crash was started, in 16 of 20 cases the beer ends above")
				return
			}
			require.Contains(t, r.Message, c.starts)
			require.Contains(t, r.Message, c.contains)
			require.Equal(t, name != "cold", strings.Contains(r.Message, "If it gets cold from here on it comes to 0.60 % ABV"), r.Message)
		})
	}
}

// A beer that did not cool when its thermometer fell silent is told of anew as it was
// last measured, with dates of now: not in the words of yesterday.
func TestNotCoolingIsToldAnewInSilence(t *testing.T) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = func(float64) float64 { return 18 }
	s.alive = func(h float64) bool { return h <= 51 }
	s.until(48).enter("the crash is started", crashed(s.w.Now())).until(72)
	r, past := s.w.Retell(NotCooling, 1)
	require.False(t, past)
	require.NotNil(t, r)
	require.Contains(t, r.Message, "does not get cold, last measured at 18.0 °C 21 h ago, and had hardly moved for the last 2 h. By then it should be near 10.8 °C. The crash was started at 18:00 yesterday.")
}
