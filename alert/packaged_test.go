package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Of beer that was closed up without having been measured cold nobody reads
// that the ceiling holds, whatever else is believed of it.
func TestPackagedWarmNeverReadsAsHolding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := hour(30)
		p := func(name string) float64 { return rapid.Float64Range(0, 1).Draw(t, name) }
		e := projection.Estimate{Gravity: 1.012, GravitySD: 0.0004, ABV: gravity.ABV(p("abv")), ABVSD: 0.1}
		if rapid.Bool().Draw(t, "thermometer") {
			e.Temperature = ptr(gravity.Celsius(rapid.Float64Range(0, 25).Draw(t, "temperature")))
		}
		st := State{
			Now: at, Packaged: &at, Estimate: &e,
			Projection: &projection.Projection{
				OverNow: p("over"), Crosses: projection.Crossing{Probability: p("crosses")},
				ABVIfLeft: projection.Quantiles{P10: 0.9, P50: 1.1, P90: 1.3},
			},
		}
		if rapid.Bool().Draw(t, "crash") {
			st.CrashStarted = ptr(hour(29))
		}
		got := Sentence(brew(), st)
		require.NotContains(t, got, "holds in")
		require.Contains(t, got, "Chill it to 5 °C")
		require.Contains(t, got, "1.10 % ABV (8 of 10 cases: 0.90 to 1.30)")
		require.Contains(t, got, "builds pressure and can burst")
		require.Contains(t, got, gravity.CautionPressure)
	})
}

// packagedAt tells a plain batch until it is closed up at an hour, crashed before
// or not, and gives what was raised by that.
func packagedAt(t *testing.T, h float64, temp func(float64) float64, crash bool) (*story, []Event) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = temp
	s.until(51.5)
	if crash {
		s.enter("the crash is started", crashed(s.w.Now()))
	}
	s.until(h)
	now := s.w.Now()
	events := s.w.Enter(now, Input{Packaged: &now})
	s.hear(events)
	return s.page(), events
}

// The phone drops what is over; so the danger must be raised and stay open
// after the watch has ended, and survive a restart.
func TestPackagedWarmIsToldOnThePhone(t *testing.T) {
	warm := func(float64) float64 { return 19.6 }
	late := func(h float64) float64 { return map[bool]float64{true: 14, false: cooling(51.5)(h)}[h > 90] }
	cases := map[string]struct {
		temp  func(float64) float64
		crash bool
		want  int
	}{
		"never crashed":            {warm, false, 1},
		"crashed, but never cold":  {warm, true, 1},
		"crashed, no thermometer":  {nil, true, 1},
		"cold once, but warm then": {late, true, 1},
		"cold":                     {cooling(51.5), true, 0},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			s, events := packagedAt(t, 100, c.temp, c.crash)
			var raised []Alert
			over := map[Resolved]bool{}
			for _, e := range events {
				if e.Alert != nil && e.Alert.Kind == StillFermenting {
					raised = append(raised, *e.Alert)
				}
				if e.Resolved != nil {
					over[Resolved{Kind: e.Resolved.Kind, N: e.Resolved.N}] = true
				}
			}
			require.Len(t, raised, c.want, s.out.String())
			require.LessOrEqual(t, s.total(), 8, s.out.String())
			for _, a := range raised {
				require.False(t, over[Resolved{Kind: a.Kind, N: a.N}], "still open")
				require.Contains(t, a.Message, "5 °C (41 °F) or below")
				require.Equal(t, Sentence(s.b, s.w.State()), a.Message, "page and phone say the same")
			}
			data, err := s.w.Snapshot()
			require.NoError(t, err)
			again, err := RestoreWatch(s.b, Options{believe: &scripts{script: plain}}, data)
			require.NoError(t, err)
			require.Equal(t, Sentence(s.b, s.w.State()), Sentence(s.b, again.State()))
			require.Empty(t, again.Tick(s.w.Now().Add(100*time.Hour)))
		})
	}
}

// How pressing it is depends on what can still ferment.
func TestPackagedWarmIsPressingIfMuchIsLeftToFerment(t *testing.T) {
	for left, want := range map[gravity.ABV]Severity{0.40: Warning, 0.44: Urgent} {
		v := &view{
			batch: ptr(brew()), packaged: ptr(hour(30)), book: newBook(),
			estimate: projection.Estimate{ABV: 0.3}, projection: projection.Projection{ABVIfLeft: projection.Quantiles{P90: left}},
		}
		require.Equal(t, want, packagedRestless(v)[0].severity, left)
	}
}
