package deliver

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// quarter of an hour, after which the second channel is told (design §5).
const quarter = 15 * time.Minute

func TestTheLadderDecidesWhoseTurnItIs(t *testing.T) {
	at := func(minutes int) time.Time { return base.Add(time.Duration(minutes) * time.Minute) }
	well, dead, told := peer{name: "phone"}, peer{name: "phone", dead: true}, peer{name: "phone", told: true}
	second := Rung{Second: true, After: quarter}
	waits := verdict{wait: onLadder}
	cases := map[string]struct {
		rung     Rung
		before   []peer
		severity string
		now      time.Time
		snoozed  *time.Time
		want     verdict
	}{
		"first, at once":                      {Rung{}, nil, urgent, at(0), nil, verdict{}},
		"first, later if so configured":       {Rung{After: time.Hour}, nil, urgent, at(59), nil, waits},
		"second, not yet":                     {second, []peer{told}, urgent, at(14), nil, waits},
		"second, unanswered":                  {second, []peer{told}, urgent, at(15), nil, verdict{}},
		"second, first is dead":               {second, []peer{dead}, urgent, at(0), nil, verdict{}},
		"second, warning told":                {second, []peer{told}, "warning", at(0), nil, verdict{drop: "told by phone"}},
		"second, warning told, first died":    {second, []peer{{name: "phone", dead: true, told: true}}, "warning", at(60), nil, verdict{drop: "told by phone"}},
		"second, warning not told yet":        {second, []peer{well}, "warning", at(60), nil, waits},
		"second, warning, first is dead":      {second, []peer{dead}, "warning", at(0), nil, verdict{}},
		"second, urgent told, first died":     {second, []peer{{name: "phone", dead: true, told: true}}, urgent, at(6), nil, verdict{}},
		"second, nobody before takes it":      {second, nil, "info", at(0), nil, verdict{}},
		"third, second lives":                 {second, []peer{dead, well}, urgent, at(0), nil, waits},
		"third, all before are dead":          {second, []peer{dead, dead}, urgent, at(0), nil, verdict{}},
		"third, warning told by the second":   {second, []peer{dead, {name: "letter", told: true}}, "warning", at(0), nil, verdict{drop: "told by letter"}},
		"all severities after a while":        {Rung{After: time.Minute}, []peer{told}, "warning", at(1), nil, verdict{}},
		"not its severity":                    {Rung{Severities: []string{urgent}}, nil, "warning", at(0), nil, verdict{drop: "the channel does not take this severity"}},
		"reminded later: counted from there":  {second, []peer{told}, urgent, at(70), ptr(at(60)), waits},
		"reminded later and still unanswered": {second, []peer{told}, urgent, at(75), ptr(at(60)), verdict{}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			a := ring("crash-now", c.severity, base)
			a.SnoozedUntil = c.snoozed
			require.Equal(t, c.want, decide(situation{alert: a, now: c.now, repeat: Repeat{}.filled(), rung: c.rung, before: c.before}))
		})
	}
}

func ptr[T any](v T) *T { return &v }

// pair is a phone and the letter that stands in for it.
func pair() (p, letter *phone, rungs []Channel) {
	p, letter = &phone{name: "phone"}, &phone{name: "letter"}
	return p, letter, []Channel{p, Rung{Channel: letter, Second: true, After: quarter}}
}

// Design §5: after a quarter of an hour the second channel rings too, and each
// says that nobody has answered.
func TestTheSecondChannelRingsAfterAQuarterOfAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		var titles []string
		letter.read = func(n Note) { titles = append(titles, n.Alert.Title) }
		m, a, start := told(t, "crash-now", urgent, rungs...)
		_, stop := running(t, m, Options{}, rungs...)
		pass(36 * time.Minute)
		require.Equal(t, []int{0, 5, 20, 35}, p.minutes(start))
		require.Equal(t, []int{15, 20, 35}, letter.minutes(start))
		require.True(t, strings.HasPrefix(titles[0], "Unanswered: "), titles[0])
		m.change(a.ID, func(a *journal.Alert) { a.Acknowledged = ptr(time.Now()) })
		pass(2 * time.Hour)
		stop()
		require.Len(t, p.told(), 4)
		require.Len(t, letter.told(), 3)
	})
}

func TestAnAnswerKeepsTheSecondChannelQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		m, a, _ := told(t, "crash-now", urgent, rungs...)
		_, stop := running(t, m, Options{}, rungs...)
		pass(14 * time.Minute)
		m.change(a.ID, func(a *journal.Alert) { a.Acknowledged = ptr(time.Now()) })
		pass(48 * time.Hour)
		stop()
		require.Len(t, p.told(), 2)
		require.Empty(t, letter.told())
		require.Equal(t, "acknowledged", m.all()[1].Error)
	})
}

func TestAWarningGoesToTheFirstChannelOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		m, _, _ := told(t, "crash-soon", "warning", rungs...)
		_, stop := running(t, m, Options{}, rungs...)
		pass(time.Hour)
		stop()
		require.Len(t, p.told(), 1)
		require.Empty(t, letter.told())
		require.Equal(t, "told by phone", m.all()[1].Error)
	})
}

// While the phone does not get through the letter carries everything, and no
// longer once the phone is back.
func TestTheSecondChannelStandsInForADeadOne(t *testing.T) {
	for name, c := range map[string]struct {
		fault  error
		within time.Duration
	}{
		"passing":  {&Error{text: "answered 500"}, 40 * time.Second},
		"unknown":  {errors.New("the line is cut"), 40 * time.Second},
		"curable":  {&Error{Fault: Curable, text: "answered 401"}, 3 * time.Second},
		"refusing": {&Error{Fault: Permanent, text: "too large"}, 3 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p, letter, rungs := pair()
				var back atomic.Bool
				p.answer = func(context.Context, int) error {
					if back.Load() {
						return nil
					}
					return c.fault
				}
				m, _, start := told(t, "crash-now", urgent, rungs...)
				soon := ring("crash-soon", "warning", start)
				m.change(soon.ID, func(a *journal.Alert) { *a = soon })
				require.NoError(t, m.Queue(t.Context(), Plan(soon, []string{"phone", "letter"}, start)))
				_, stop := running(t, m, Options{}, rungs...)
				pass(c.within)
				require.ElementsMatch(t, []string{key(soon.ID, 1), "pale-wheat-12/crash-now/1#1"}, letter.told())
				pass(time.Until(start.Add(6 * time.Minute)))
				require.Len(t, letter.told(), 3, "the repeat comes by it too")
				back.Store(true)
				pass(time.Until(start.Add(14 * time.Minute)))
				if name != "refusing" { // its next telling is due after 20 minutes
					require.NotEmpty(t, p.told())
				}
				require.Len(t, letter.told(), 3)
				pass(time.Until(start.Add(22 * time.Minute)))
				stop()
				require.Len(t, letter.told(), 4, "unanswered for a quarter of an hour")
			})
		})
	}
}

// A phone that hangs is dead as well, though nothing has failed yet.
func TestAHangingChannelIsStoodInFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		p.answer = func(ctx context.Context, _ int) error {
			select {
			case <-ctx.Done():
			case <-time.After(defaultTimeout):
			}
			return &Error{text: "not sent: no answer in time"}
		}
		m, _, start := told(t, "crash-now", urgent, rungs...)
		_, stop := running(t, m, Options{}, rungs...)
		pass(time.Minute)
		stop()
		require.Len(t, letter.told(), 1)
		require.Less(t, letter.got[0].Sub(start), time.Minute)
	})
}

// What comes late says what holds now, with the figures of now.
func TestALateCrashNowSaysWhatHoldsNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, letter, rungs := pair()
		var got Note
		letter.read = func(n Note) { got = n }
		m, _, _ := told(t, "crash-now", urgent, rungs...)
		latest := func(context.Context, journal.Alert) Present {
			return Present{Message: "It is late.", ABV: ptr(0.49), Gravity: ptr(1.0095)}
		}
		_, stop := running(t, m, Options{Latest: latest}, rungs...)
		pass(16 * time.Minute)
		stop()
		require.Equal(t, "It is late.", got.Alert.Message)
		h, err := hookOf(got.Alert)
		require.NoError(t, err)
		require.Equal(t, []*float64{ptr(0.49), nil, ptr(1.0095)}, []*float64{h.ABV, h.ABVSD, h.Gravity})
	})
}

// Law: a clock that is set back by an hour holds no telling back.
func TestAClockSetBackHoldsNothingBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, letter, rungs := pair()
		m, _, start := told(t, "crash-now", urgent, rungs...)
		var step atomic.Int64
		_, stop := running(t, m, Options{Now: func() time.Time { return time.Now().Add(-time.Duration(step.Load())) }}, rungs...)
		pass(2 * time.Minute)
		step.Store(int64(time.Hour))
		pass(33*time.Minute + 30*time.Second)
		require.Equal(t, []int{0, 5, 20, 35}, p.minutes(start))
		require.Equal(t, []int{15, 20, 35}, letter.minutes(start))
		step.Store(0)
		pass(time.Hour)
		stop()
		require.GreaterOrEqual(t, len(p.told()), 7, "set forward, it goes on")
	})
}
