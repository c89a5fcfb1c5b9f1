package alert

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

func TestASampleAheadCountsWhenTheClockGetsThere(t *testing.T) {
	w, _ := newSummed(t)
	at := pitch.Add(10 * time.Hour)
	require.Empty(t, w.Enter(pitch, Input{Sample: &projection.Sample{Time: at}}))
	w.Tick(at)
	before := w.course.belief.(*scriptedIn).Samples
	w.Tick(at.Add(lookEvery))
	require.Equal(t, []int{0, 1}, []int{before, w.course.belief.(*scriptedIn).Samples})
}

func TestPackagedEndsTheWatch(t *testing.T) {
	w, _ := newSummed(t)
	w.Tick(pitch.Add(30 * time.Hour))
	now := w.Now()
	events := w.Enter(now, Input{Packaged: &now})
	require.NotEmpty(t, events)
	raised := map[Kind]bool{}
	for _, e := range events {
		if e.Alert != nil {
			raised[e.Alert.Kind] = true
		}
	}
	require.Equal(t, map[Kind]bool{StillFermenting: true, PH: true}, raised, "found of the packaged beer")
	for key, e := range w.book.Entries {
		require.Equal(t, raised[kindOf(key)], e.Open, "%s: all else is over", key)
	}
	require.Equal(t, never(), w.Next())
	require.Empty(t, w.Tick(now.Add(1000*time.Hour)))
	require.Empty(t, w.Observe(now.Add(2000*time.Hour), projection.Observation{Time: now, Sensor: "float-1"}))
	require.Contains(t, Sentence(brew(), w.State()), "packaged")
}

// Entered at the very moment of a look, it is answered at once, not at the next.
func TestACrashEnteredAtALookCountsAtOnce(t *testing.T) {
	w, err := NewWatch(brew(), Options{believe: &scripts{script: plain}})
	require.NoError(t, err)
	w.Tick(hour(51.5))
	now := w.Next()
	w.Tick(now)
	require.NotZero(t, w.book.Counts[CrashNow])
	w.Enter(now, Input{CrashStarted: &now})
	require.NotNil(t, w.State().CrashStarted)
	require.False(t, w.book.open(CrashNow))
}

func TestACrashEnteredByMistakeIsTakenBack(t *testing.T) {
	w, err := NewWatch(brew(), Options{believe: &scripts{script: plain}})
	require.NoError(t, err)
	w.Tick(hour(51.5))
	require.Equal(t, 1, w.book.Counts[CrashNow])
	crash := w.Now()
	w.Enter(crash, Input{Ref: 7, CrashStarted: &crash})
	require.NotNil(t, w.State().CrashStarted)
	events := w.Enter(crash.Add(20*time.Minute), Input{Struck: 7})
	require.Nil(t, w.State().CrashStarted)
	require.Equal(t, 2, w.book.Counts[CrashNow], "the crash is due again: %v", lines(t, events))
	require.Zero(t, w.State().Lost)
	w.Enter(w.Now(), Input{Struck: 99})
	require.Equal(t, 1, w.State().Lost)
}

func TestACrashEnteredLateCountsFromItsOwnTime(t *testing.T) {
	w, err := NewWatch(brew(), Options{believe: &scripts{script: plain}})
	require.NoError(t, err)
	w.Tick(hour(60))
	crash := hour(52)
	w.Enter(hour(60), Input{CrashStarted: &crash})
	require.Equal(t, crash, *w.State().CrashStarted)
	again := hour(54)
	w.Enter(hour(61), Input{CrashStarted: &again})
	require.Equal(t, crash, *w.State().CrashStarted, "it started once")
}

func TestInputsTooFarBackAreCounted(t *testing.T) {
	w, _ := newSummed(t)
	for now := pitch; now.Before(pitch.Add(22 * 24 * time.Hour)); now = now.Add(6 * time.Hour) {
		w.Observe(now, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	}
	require.Len(t, w.past.anchors, 2)
	require.WithinRange(t, w.past.reach(), w.Now().Add(-2*anchorAge), w.Now().Add(-anchorAge))
	w.Observe(w.Now(), projection.Observation{Time: pitch.Add(time.Hour), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01})
	w.Tick(w.Now().Add(time.Hour))
	require.Equal(t, 1, w.State().Lost)
	require.Less(t, len(w.past.anchors)+len(w.past.recent), 15, "few copies are kept")
}

// Beer that rests below and is crashed all the same has not turned: the reason
// is the crash, also when what is believed changes with it.
func TestACrashEndsStaysBelowForWhatItIs(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		p := 0.02
		if b.Crash != nil {
			p = 0.3
		}
		return belief0(math.Min(2.5, at.Sub(pitch).Hours()*0.1), 0.4, no, 0, 0, p)
	}
	w, err := NewWatch(brew(), Options{believe: &scripts{script: script}})
	require.NoError(t, err)
	w.Tick(hour(60))
	require.True(t, w.book.open(StaysBelow))
	now := w.Now()
	var why []string
	for _, e := range w.Enter(now, Input{CrashStarted: &now}) {
		if e.Resolved != nil && e.Resolved.Kind == StaysBelow {
			why = append(why, e.Resolved.Why)
		}
	}
	require.Equal(t, []string{"the crash has started"}, why)
}

// Law: inputs come back from a snapshot as they went in.
func TestInputsOutlastASnapshot(t *testing.T) {
	start := hour(3)
	items := []item{
		{time: start, obs: &projection.Observation{Time: start, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0132}},
		{time: hour(4), obs: &projection.Observation{Time: hour(4), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0133, Repeated: true}},
		{time: hour(5), obs: &projection.Observation{Time: hour(5), Sensor: "probe", Quantity: projection.Temperature, Value: 19}},
		{time: hour(6), ref: 7, sample: &projection.Sample{Time: hour(6)}},
		{time: hour(7), obs: &projection.Observation{Time: hour(7), Sensor: "float-1", Quantity: projection.Gravity, Value: 1.0134, Repeated: true}},
		{time: hour(8), ref: 8},
	}
	saved := saveItems(items)
	back, err := saved.items()
	require.NoError(t, err)
	require.Equal(t, items, back)
}

// A pH that no beer has is none that was measured, whether it was entered although
// asked, stands in a batch's file or comes from a probe: the alert stays, or comes
// again. One far too high is told as too high, which is the graver.
func TestAPHOfNoBeerIsNoneMeasured(t *testing.T) {
	for name, say := range map[string]func(w *Watch, at time.Time, ph float64) []Event{
		"by hand": func(w *Watch, at time.Time, ph float64) []Event {
			return w.Enter(at, Input{Sample: &projection.Sample{Time: at, PH: &ph}})
		},
		"by a probe": func(w *Watch, at time.Time, ph float64) []Event {
			return w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.PH, Value: ph})
		},
	} {
		t.Run(name, func(t *testing.T) {
			w, err := NewWatch(brew(), Options{believe: &scripts{script: plain}})
			require.NoError(t, err)
			at := pitch.Add(30 * time.Hour)
			measure := func(ph float64) (told []Alert) {
				at = at.Add(time.Hour)
				for _, e := range append(say(w, at, ph), w.Tick(at.Add(30*time.Minute))...) {
					if e.Alert != nil && e.Alert.Kind == PH {
						told = append(told, *e.Alert)
					}
				}
				return told
			}
			require.Empty(t, measure(2), "nobody packages yet")
			at = at.Add(time.Hour)
			w.Enter(at, crashed(at))
			at = at.Add(time.Hour)
			w.Observe(at, projection.Observation{Time: at, Sensor: "float-1", Quantity: projection.Temperature, Value: 2})
			told := measure(2)
			require.NotNil(t, w.State().Cold)
			require.Len(t, told, 1)
			require.Contains(t, told[0].Message, "pH 2 is hardly that of beer or wort")
			require.Contains(t, told[0].Message, gravity.CautionAcid)
			st := w.State()
			require.Contains(t, st.acidity(), "Measure pH again before packaging")
			measure(3.8)
			require.False(t, w.book.open(PH))
			require.Len(t, measure(0.4), 1, "what was good is not known any more")
			high := measure(7)
			require.Len(t, high, 1)
			require.Equal(t, Urgent, high[0].Severity)
			require.Contains(t, high[0].Message, "pH 7 is hardly that of beer or wort")
			require.Contains(t, high[0].Message, "pH above 4.6: unsafe")
		})
	}
}
