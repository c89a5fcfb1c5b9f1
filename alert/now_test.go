package alert

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection"
)

// The order to crash gives one deadline or what is left of the chance, never
// both; a passed moment is never followed by the promised chance.
func TestTheOrderToCrashNeverContradictsItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, now := brew(), hour(50).Add(time.Duration(rapid.IntRange(0, 3600).Draw(t, "clock"))*time.Second)
		by := now.Add(time.Duration(rapid.IntRange(-300, 300).Draw(t, "left")) * 11 * time.Second)
		p := projection.Projection{CrashBy: &by, OverIfCrashedNow: rapid.Float64Range(0, 1).Draw(t, "over")}
		got := nowSentence(words{now: now, loc: time.UTC}, &b, &p)
		deadline, passed := strings.Contains(got, ", starting "), strings.Contains(got, "has passed")
		require.Equal(t, by.After(now), deadline, got)
		require.Equal(t, deadline, !strings.Contains(got, "still holds"), got)
		require.Equal(t, !deadline && p.OverIfCrashedNow > b.Risk, passed, got)
		if passed {
			require.NotContains(t, got, "19 of 20", "%v", p.OverIfCrashedNow)
			require.NotContains(t, got, "of 100", "%v", p.OverIfCrashedNow)
		}
		if _, after, by := strings.Cut(got, "starting by "); by {
			at, err := time.Parse("15:04", after[:5])
			require.NoError(t, err)
			require.Greater(t, at.Hour()*60+at.Minute(), now.Hour()*60+now.Minute(), "a deadline lies ahead: %s", got)
		}
	})
}

// Read at a glance, at night: the order stands in the first two short
// sentences, and the whole is short.
func TestTheOrderToCrashIsShortAndStandsFirst(t *testing.T) {
	for name, by := range map[string]float64{"in time": 51, "late": 49} {
		t.Run(name, func(t *testing.T) {
			e, p := belief0(3, 0.5, by, 1, 66, 0.97)
			p.OverIfCrashedNow = 0.4
			b := brew()
			o, err := Options{}.filled()
			require.NoError(t, err)
			v := &view{now: hour(50), batch: &b, opts: &o, estimate: e, projection: p, heard: hearing{"float-1": {Last: hour(50)}}}
			title, message := v.sayNow()
			require.True(t, strings.HasPrefix(title, "Start the crash now"))
			first, rest, _ := strings.Cut(message, ". ")
			second, _, _ := strings.Cut(rest, ". ")
			require.Equal(t, "Start the crash now, or keg and chill", first)
			require.True(t, strings.HasPrefix(second, "Cool it to 2.0 °C"), second)
			require.LessOrEqual(t, len(strings.Fields(second)), 10, second)
			require.LessOrEqual(t, len(strings.Fields(message)), 80, message)
			require.Less(t, strings.Index(message, "enter that"), strings.Index(message, "can burst"), "cautions come last")
			readable(t, message)
		})
	}
}
