package alert

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// cellar runs a batch whose crash is due by an hour after the pitch, and whose beer
// has a temperature; crashed is when the crash is entered, h.
type cellar struct {
	by      float64
	moved   float64 // where the crash by goes once the beer is cold; 0: it stays
	temp    func(h float64) float64
	crashed float64
}

// kept is what a cellar's watch says of the temperature, how its alerts ended, and the
// watch.
func (c cellar) kept(t *testing.T, until float64) (said []*Alert, over []*Resolved, w *Watch) {
	t.Helper()
	script := func(_ time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		by := c.by
		if c.moved != 0 && b.Temp != nil && *b.Temp < 14 {
			by = c.moved
		}
		return belief0(2, 0.5, by, 2, 80, 0.97)
	}
	w, err := NewWatch(brew(), Options{believe: &scripts{script: script}, Range: &Range{Low: 16, High: 20}})
	require.NoError(t, err)
	for h := 0.25; h <= until; h += 0.25 {
		events := w.Observe(hour(h),
			projection.Observation{Time: hour(h), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0112},
			projection.Observation{Time: hour(h), Sensor: "float-1", Quantity: projection.Temperature, Value: c.temp(h)})
		if c.crashed == h {
			events = append(events, w.Enter(hour(h), Input{CrashStarted: ptr(hour(h))})...)
		}
		for _, e := range events {
			switch {
			case e.Alert != nil && e.Alert.Kind == Temperature:
				said = append(said, e.Alert)
			case e.Resolved != nil && e.Resolved.Kind == Temperature:
				over = append(over, e.Resolved)
			}
		}
	}
	return said, over, w
}

// falls is beer at a temperature that is cooled from an hour on, down to 2 °C.
func falls(from, start float64) func(float64) float64 {
	return func(h float64) float64 { return max(2, start-max(0, 2*(h-from))) }
}

// Beer that gets cold when the crash was told of, or is due, was most likely cooled by
// a brewer who did not enter it: that is said, and never that it be warmed.
func TestBeerThatIsCooledWithoutACrashEnteredIsNotToBeWarmed(t *testing.T) {
	for name, c := range map[string]struct {
		cellar
		want string // in the last message, as it is said at the end
	}{
		"crash-now rings":                       {cellar{by: 40, temp: falls(40, 18)}, "If you have not, do so now."},
		"and cooling moves the crash away":      {cellar{by: 40, moved: 70, temp: falls(40, 18)}, "If you have not, look at the thermostat"},
		"only heads-ups were told":              {cellar{by: 46, moved: 70, temp: falls(38, 18)}, "If you have not, look at the thermostat"},
		"it had been told to be too warm":       {cellar{by: 40, temp: falls(40, 21)}, "If you have not, do so now."},
		"it had been told to be somewhat cold":  {cellar{by: 40, temp: falls(40, 15)}, "If you have not, do so now."},
		"what was said of warming it is closed": {cellar{by: 40, temp: func(float64) float64 { return 15 }}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			said, over, w := c.kept(t, 50)
			for i, a := range said {
				if i < len(said)-1 || c.want == "" {
					require.Less(t, i, len(over), "%s stays open", a.Title)
					continue
				}
				require.Contains(t, a.Title, "Cold, but no crash is entered")
				now, _ := w.Retell(a.Kind, a.N)
				require.NotNil(t, now)
				require.Contains(t, now.Message, c.want)
				for _, m := range []string{a.Message, now.Message} {
					require.Contains(t, m, "If you have started it, enter it with its time")
					require.NotContains(t, strings.ToLower(m), "warm it")
					readable(t, m)
				}
			}
			require.NotEmpty(t, said)
			require.Equal(t, c.want == "", len(over) == len(said), "%v", over)
		})
	}
}

// Once the crash is entered nothing of the cold is left to be told.
func TestAnEnteredCrashEndsWhatWasSaidOfTheCold(t *testing.T) {
	said, over, _ := cellar{by: 40, temp: falls(40, 18), crashed: 46}.kept(t, 50)
	require.Len(t, said, 1)
	require.Len(t, over, 1)
	require.Equal(t, "the crash was started", over[0].Why)
}

// Far from any crash cold beer is to be warmed, and the alert says when the crash is
// likely.
func TestColdBeerFarFromItsCrashIsToBeWarmed(t *testing.T) {
	said, _, _ := cellar{by: 90, temp: falls(4, 18)}.kept(t, 12)
	require.Len(t, said, 1)
	require.Contains(t, said[0].Title, "Too cold")
	require.Contains(t, said[0].Message, "Warm it back slowly if it is to stay in its range, or enter the crash if you have started it")
	require.Contains(t, said[0].Message, "As it looks now the crash is likely between")
}

// No alert of the temperature names a time for a crash that has come, nor one that
// another alert contradicts.
func TestTheTemperatureNamesNoCrashThatHasCome(t *testing.T) {
	b := brew()
	o, err := Options{Range: &Range{Low: 16, High: 20}}.filled()
	require.NoError(t, err)
	for name, c := range map[string]struct {
		by   float64
		open Kind
		says bool
	}{
		"ahead":                            {60, "", true},
		"passed":                           {44, "", false},
		"ahead, and crash-now open":        {60, CrashNow, false},
		"passed, and crash-now open":       {44, CrashNow, false},
		"ahead, but above the ceiling":     {60, OverCeiling, false},
		"a few minutes ahead, so it rings": {50.1, "", false},
	} {
		for _, temp := range []gravity.Celsius{9, 23} {
			t.Run(name, func(t *testing.T) {
				e, p := belief0(2, 0.5, c.by, 12, 66, 0.97)
				v := &view{now: hour(50), next: hour(50.25), batch: &b, opts: &o, book: newBook(), estimate: e, projection: p}
				v.trail.Temp, v.trail.TempAt = &temp, v.now
				if c.open != "" {
					v.book.Entries[keyOf(c.open, "")] = &entry{Open: true, Told: true}
				}
				_, message := v.sayTemperature()
				require.Equal(t, c.says, strings.Contains(message, "the crash is likely"), message)
				require.NotContains(t, message, "yesterday")
				if !c.says {
					require.NotContains(t, message, "Cool it back slowly")
					require.NotContains(t, message, "Warm it back")
				}
				readable(t, message)
			})
		}
	}
}
