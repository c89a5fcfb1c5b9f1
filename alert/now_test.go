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

// The page shows the first sentence large: while the beer ferments it is what to
// do, with its time if that is known well enough, and never the batch's age.
func TestTheHeadlineIsWhatToDo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, now := brew(), hour(30)
		left := time.Duration(rapid.IntRange(1, 100*60).Draw(t, "left")) * time.Minute
		by := now.Add(left)
		e, p := belief0(rapid.SampledFrom([]float64{0, 2}).Draw(t, "drop"), 0.5, no, 0, 66, 0.97)
		if rapid.Bool().Draw(t, "needed") {
			p.CrashBy, p.CrashBySD = &by, time.Duration(rapid.IntRange(0, 24*60).Draw(t, "spread"))*time.Minute
		}
		st := State{Now: now, Location: time.UTC, Estimate: &e, Projection: &p}
		if rapid.Bool().Draw(t, "soon") {
			st.Open = []Kind{CrashSoon}
		}
		headline, _, _ := strings.Cut(Sentence(b, st), ". ")
		require.NotContains(t, headline, "Pitched")
		unsure := left > farCrash || p.CrashBySD > left || p.CrashBySD > vague
		switch {
		case p.CrashBy == nil && len(st.Open) > 0 && e.ABV == 0: // crash-soon is open until that is sure
			require.Equal(t, "Keep room in the cold", headline)
		case p.CrashBy == nil:
			require.Contains(t, headline, "as it looks now")
		case unsure && len(st.Open) > 0:
			require.Regexp(t, "^Make room in the cold: .*; you will be told", headline)
		case unsure:
			require.Regexp(t, "^Nothing to do yet: .*; you will be told", headline)
		default:
			require.Regexp(t, "^Start the crash by [0-9]", headline)
		}
	})
}

// A time that is known too badly to be planned on is not given as one, before
// any figure of the beer, on the phone as on the page.
func TestACrashSoonThatMayMoveSaysSoFirst(t *testing.T) {
	for sd, want := range map[float64]bool{9: true, 4: true, 2: false} {
		b := brew()
		o, err := Options{}.filled()
		require.NoError(t, err)
		e, p := belief0(2, 0.5, 33, sd, 66, 0.97)
		v := &view{now: hour(30), batch: &b, opts: &o, book: newBook(), estimate: e, projection: p, heard: hearing{"float-1": {Last: hour(30)}}}
		v.book.Entries[keyOf(CrashSoon, "3h0m0s")] = &entry{Open: true}
		title, message := v.saySoon()
		moves := strings.Index(message, "the crash is likely between")
		require.Equal(t, want, moves >= 0, message)
		require.Equal(t, want, strings.HasPrefix(title, "Crash likely from"), title)
		require.Equal(t, !want, strings.HasPrefix(message, "Start the crash by"), message)
		require.Less(t, moves, strings.Index(message, "% ABV"), message)
		require.Less(t, strings.Index(message, "Make room"), strings.Index(message, "Now 0."), message)
		require.Equal(t, 1, strings.Count(message, "you will be told"), message)
		require.True(t, strings.HasPrefix(message, Sentence(b, v.state())), "the page says the same: %s", Sentence(b, v.state()))
	}
}

// Of a crash that is due already nobody says that it will be told of.
func TestASilentSensorWhenTheCrashIsDue(t *testing.T) {
	b := brew()
	o, err := Options{}.filled()
	require.NoError(t, err)
	for by, says := range map[float64]string{51: "You will still be told when the crash is due", 49: "The crash is due already"} {
		e, p := belief0(3, 0.5, by, 1, 66, 0.97)
		v := &view{now: hour(50), batch: &b, opts: &o, estimate: e, projection: p}
		_, message := v.saySilent("float-1", &heard{Last: hour(47), Ever: true})
		require.Contains(t, message, says)
		readable(t, message)
	}
}
