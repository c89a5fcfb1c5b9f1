package deliver

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// phone is a channel that remembers, and fails as told.
type phone struct {
	name string
	mu   sync.Mutex
	got  []time.Time // when a telling was accepted
	keys []string
	asks int
	// answer decides an attempt, the how-many-th it is given; nil accepts.
	answer func(ctx context.Context, attempt int) error
	read   func(Note)
}

func (p *phone) Name() string { return p.name }

func (p *phone) Send(ctx context.Context, n Note) error {
	p.mu.Lock()
	p.asks++
	attempt := p.asks
	p.mu.Unlock()
	if p.answer != nil {
		if err := p.answer(ctx, attempt); err != nil {
			return err
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.read != nil {
		p.read(n)
	}
	p.got, p.keys = append(p.got, time.Now()), append(p.keys, n.Key())
	return nil
}

// told are the keys of what it has accepted.
func (p *phone) told() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.keys)
}

// with looks at what read has noted.
func (p *phone) with(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
}

// minutes are when the tellings came, in whole minutes after start.
func (p *phone) minutes(start time.Time) (all []int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, t := range p.got {
		all = append(all, int(t.Sub(start).Round(time.Second).Minutes()))
	}
	return all
}

// running starts an outbox and gives what stops it and waits for its end.
func running(t *testing.T, s Store, o Options, channels ...Channel) (*Outbox, func()) {
	t.Helper()
	if o.Now == nil {
		o.Now = time.Now
	}
	b := NewOutbox(s, ladder(channels), o)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); b.Run(ctx) }()
	return b, func() { cancel(); <-done }
}

// pass lets virtual time go by, and what is under way come to rest.
func pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// ladder makes rungs of channels; a Rung among them is taken as it is.
func ladder(channels []Channel) []Rung {
	var all []Rung
	for _, c := range channels {
		r, ok := c.(Rung)
		if !ok {
			r = Rung{Channel: c}
		}
		all = append(all, r)
	}
	return all
}

// told is a store with one alert, planned for the channels.
func told(t *testing.T, kind, severity string, channels ...Channel) (*memory, journal.Alert, time.Time) {
	t.Helper()
	start := time.Now()
	a := ring(kind, severity, start)
	m := newMemory(a)
	var names []string
	for _, c := range channels {
		names = append(names, c.Name())
	}
	require.NoError(t, m.Queue(t.Context(), Plan(a, names, start)))
	return m, a, start
}

func TestCrashNowIsToldAgainUntilAcknowledged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m, a, start := told(t, "crash-now", "urgent", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(40 * time.Minute)
		require.Equal(t, []int{0, 5, 20, 35}, p.minutes(start))
		m.change(a.ID, func(a *journal.Alert) { now := time.Now(); a.Acknowledged = &now })
		time.Sleep(5 * time.Hour)
		stop()
		require.Len(t, p.got, 4)
		require.Equal(t, dropped, m.all()[4].Outcome)
	})
}

func TestRepeatsSayWhatHoldsNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said []string
		p := &phone{name: "phone"}
		p.read = func(n Note) { said = append(said, n.Alert.Title+": "+n.Alert.Message) }
		m, a, _ := told(t, "crash-now", "urgent", p)
		_, stop := running(t, m, Options{Latest: func(context.Context, journal.Alert) Present { return Present{Title: "Late", Message: "It is late."} }}, p)
		time.Sleep(6 * time.Minute)
		stop()
		require.Equal(t, []string{a.Title + ": Start the crash now, or keg.", "Unanswered: Late: It is late."}, said)
	})
}

// What was found out late is told when its batch has come to the present, in the
// words of then, and not at all if it is over by then; a watch that never comes
// there does not silence it.
func TestWhatIsFoundOutLateIsToldOfNow(t *testing.T) {
	for name, c := range map[string]struct {
		kind, severity string
		age            time.Duration // of the alert when it was recorded
		until          time.Duration // the batch is behind
		over           bool          // by then
		want           []int         // minutes in nine
		says           string
	}{
		"late":            {"over-ceiling", urgent, 20 * time.Hour, 3 * time.Minute, false, []int{3}, "It is so now."},
		"over by then":    {"over-ceiling", urgent, 20 * time.Hour, 3 * time.Minute, true, nil, ""},
		"never up to now": {"crash-now", urgent, 20 * time.Hour, time.Hour, false, []int{5}, "It is so now."},
		"not late":        {"over-ceiling", urgent, 20 * time.Minute, 3 * time.Minute, false, []int{0}, "It is so now."},
		"at once":         {"over-ceiling", urgent, 2 * time.Second, 3 * time.Minute, false, []int{0}, "It was so."},
		"a warning":       {"temperature", "warning", 40 * time.Minute, 3 * time.Minute, false, []int{3}, "It is so now.\n\nThis has been so for 43 minutes; it was found out late, and holds still."},
		"nothing newer":   {"temperature", "warning", 40 * time.Minute, 3 * time.Minute, false, []int{3}, "This was said 43 minutes ago; nothing newer is known.\n\nIt was so."},
		"has come":        {"crash-soon", "warning", 40 * time.Minute, 3 * time.Minute, false, nil, ""},
		"a heads-up":      {"crash-soon", "warning", 40 * time.Minute, 3 * time.Minute, false, []int{3}, "It is so now."},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p, said := &phone{name: "phone"}, ""
				p.read = func(n Note) { said = n.Alert.Message }
				m, a, start := told(t, c.kind, c.severity, p)
				m.change(a.ID, func(a *journal.Alert) { a.Raised, a.Message = a.Recorded.Add(-c.age), "It was so." })
				_, stop := running(t, m, Options{
					Behind: func(journal.Alert) bool { return time.Since(start) < c.until },
					Latest: func(context.Context, journal.Alert) Present {
						if name == "nothing newer" {
							return Present{}
						}
						return Present{Past: name == "has come", Message: "It is so now."}
					},
				}, p)
				time.Sleep(2 * time.Minute)
				if c.over {
					m.change(a.ID, func(a *journal.Alert) { a.Resolved = &start })
				}
				time.Sleep(time.Until(start.Add(9 * time.Minute)))
				stop()
				require.Equal(t, c.want, p.minutes(start))
				require.Equal(t, c.says, said)
			})
		})
	}
}

func TestWhatEndsTheRepeats(t *testing.T) {
	now := func(set func(*journal.Alert, *time.Time)) func(*journal.Alert) {
		return func(a *journal.Alert) { t := time.Now(); set(a, &t) }
	}
	cases := map[string]struct {
		change         func(*journal.Alert)
		kind, severity string
		want           []int // minutes in a day and a half, change at minute 6
	}{
		"resolved":        {now(func(a *journal.Alert, t *time.Time) { a.Resolved = t }), "crash-now", "urgent", []int{0, 5}},
		"acknowledged":    {now(func(a *journal.Alert, t *time.Time) { a.Acknowledged = t }), "crash-now", "urgent", []int{0, 5}},
		"a warning, once": {func(*journal.Alert) {}, "crash-soon", "warning", []int{0}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &phone{name: "phone"}
				m, a, start := told(t, c.kind, c.severity, p)
				_, stop := running(t, m, Options{}, p)
				time.Sleep(6 * time.Minute)
				m.change(a.ID, c.change)
				time.Sleep(36 * time.Hour)
				stop()
				require.Equal(t, c.want, p.minutes(start))
			})
		})
	}
}

func TestUnansweredAlertsEndAfterADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m, _, start := told(t, "over-ceiling", "urgent", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(72 * time.Hour)
		stop()
		got := p.minutes(start)
		require.Len(t, got, 24, "hourly for a day")
		require.Less(t, got[23], 24*60)
	})
}

func TestRemindMeLaterHoldsTheRepeatsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m, a, start := told(t, "crash-now", "urgent", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(6 * time.Minute)
		m.change(a.ID, func(a *journal.Alert) { until := start.Add(66 * time.Minute); a.SnoozedUntil = &until })
		time.Sleep(90 * time.Minute)
		stop()
		require.Equal(t, []int{0, 5, 66, 81, 96}[:4], p.minutes(start)[:4])
	})
}

func TestADeadChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dead := &phone{name: "dead", answer: func(ctx context.Context, _ int) error { <-ctx.Done(); return ctx.Err() }}
		p := &phone{name: "phone"}
		m, _, start := told(t, "crash-now", "urgent", dead, p)
		_, stop := running(t, m, Options{}, dead, p)
		time.Sleep(40 * time.Minute)
		stop()
		require.Equal(t, []int{0, 5, 20, 35}, p.minutes(start))
		require.Equal(t, 1, dead.asks)
	})
}

func TestDeliveredWithinAMinuteOfRecovery(t *testing.T) {
	faults := map[string]error{
		"500": &Error{text: "answered 500"}, "any other error": errors.New("the line is cut"),
	}
	for name, fault := range faults {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var back time.Time
				p := &phone{name: "phone", answer: func(context.Context, int) error {
					if time.Now().Before(back) {
						return fault
					}
					return nil
				}}
				m, _, start := told(t, "crash-soon", "warning", p)
				back = start.Add(3 * time.Hour)
				b, stop := running(t, m, Options{}, p)
				time.Sleep(2 * time.Hour)
				st := b.Status()[0]
				require.True(t, st.LastSuccess.IsZero())
				require.Equal(t, asError(fault).Error(), st.LastError)
				time.Sleep(2 * time.Hour)
				stop()
				require.Len(t, p.got, 1)
				require.Less(t, p.got[0].Sub(back), time.Minute)
				require.False(t, b.Status()[0].LastSuccess.IsZero())
				require.Less(t, p.asks, 3*60*60/25, "not hammered")
			})
		})
	}
}

func TestTwentyFaultsThenItGetsThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone", answer: func(_ context.Context, n int) error {
			if n <= 20 {
				return &Error{text: "answered 500"}
			}
			return nil
		}}
		m, _, _ := told(t, "crash-soon", "warning", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(20 * time.Minute)
		stop()
		require.Len(t, p.got, 1)
		require.Equal(t, 21, m.all()[0].Attempts)
	})
}

func TestRetryAfterIsObeyed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone", answer: func(_ context.Context, n int) error {
			if n == 1 {
				return &Error{text: "answered 429", RetryAfter: 10 * time.Minute}
			}
			return nil
		}}
		m, _, start := told(t, "crash-soon", "warning", p)
		_, stop := running(t, m, Options{}, p)
		time.Sleep(time.Hour)
		stop()
		require.Equal(t, []int{10}, p.minutes(start))
	})
}

func TestARefusedMessageIsNotSentAgainButTheNextTellingIs(t *testing.T) {
	for kind, tellings := range map[string]int{"crash-soon": 1, "crash-now": 4} {
		t.Run(kind, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &phone{name: "phone", answer: func(context.Context, int) error { return &Error{Fault: Permanent, text: "too large"} }}
				severity := map[string]string{"crash-soon": "warning", "crash-now": "urgent"}[kind]
				m, _, _ := told(t, kind, severity, p)
				_, stop := running(t, m, Options{}, p)
				time.Sleep(36 * time.Minute)
				stop()
				require.Equal(t, tellings, p.asks)
				require.Equal(t, []string{refused, "too large"}, []string{m.all()[0].Outcome, m.all()[0].Error})
			})
		})
	}
}

func TestWhatTheJournalDoesNotTakeIsNotSentAndNothingIsLost(t *testing.T) {
	for _, call := range []string{"due", "alert", "started", "queue", "done", "set", "get"} {
		t.Run(call, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &phone{name: "phone"}
				m, _, start := told(t, "crash-now", "urgent", p)
				m.fault = func(c string) error {
					if c == call && time.Since(start) < 3*time.Minute {
						return errors.New("the disk is full")
					}
					return nil
				}
				_, stop := running(t, m, Options{}, p)
				time.Sleep(time.Minute)
				want := 0
				if call != "due" && call != "alert" && call != "started" {
					want = 1 // sent, and held until that can be recorded
				}
				require.Len(t, p.minutes(start), want)
				time.Sleep(25 * time.Minute)
				stop()
				require.GreaterOrEqual(t, len(p.got), 3)
				require.Equal(t, slices.Compact(slices.Clone(p.keys)), p.keys, "none twice")
			})
		})
	}
}

func TestChannelsThatAreGoneOrDoNotWantIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, quiet, gone := &phone{name: "phone"}, &phone{name: "quiet"}, &phone{name: "gone"}
		m, _, _ := told(t, "crash-soon", "warning", p, quiet, gone)
		_, stop := running(t, m, Options{}, p, Rung{Channel: quiet, Severities: []string{urgent}})
		time.Sleep(time.Minute)
		stop()
		require.Len(t, p.got, 1)
		require.Empty(t, quiet.got)
		all := m.all()
		require.Equal(t, []string{accepted, dropped, dropped}, []string{all[0].Outcome, all[1].Outcome, all[2].Outcome})
		require.Contains(t, all[2].Error, "no such channel")
	})
}

func TestAMessageUnderWayGetsItsGraceAtShutDown(t *testing.T) {
	for name, c := range map[string]struct {
		takes time.Duration
		done  bool
	}{"in time": {2 * time.Second, true}, "too slow": {time.Minute, false}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &phone{name: "phone", answer: func(ctx context.Context, _ int) error {
					select {
					case <-ctx.Done():
						return ctx.Err()
					case <-time.After(c.takes):
						return nil
					}
				}}
				m, _, _ := told(t, "crash-now", "urgent", p)
				_, stop := running(t, m, Options{}, p)
				time.Sleep(time.Second)
				start := time.Now()
				stop()
				require.LessOrEqual(t, time.Since(start), 3*time.Second)
				d := m.all()[0]
				require.Equal(t, c.done, d.Done != nil)
				require.NotNil(t, d.Started)
				if !c.done {
					require.Empty(t, d.Outcome, "not known: told again at the next start")
				}
			})
		})
	}
}

func TestWakeTellsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m := newMemory()
		b, stop := running(t, m, Options{Poll: time.Hour}, p)
		time.Sleep(time.Minute)
		a := ring("crash-now", "urgent", time.Now())
		m.change(a.ID, func(old *journal.Alert) { *old = a })
		require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone"}, time.Now())))
		b.Wake()
		b.Wake()
		time.Sleep(time.Millisecond)
		stop()
		require.Len(t, p.got, 1)
	})
}

// A hundred messages at once go out in the order they fell due, though a worker
// holds only some in hand.
func TestManyAtOnceGoOutInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{name: "phone"}
		m := newMemory()
		var want []string
		for i := range 200 {
			a := ring("crash-soon", "warning", time.Now())
			a.ID += string(rune('a'+i%26)) + string(rune('a'+i/26))
			m.change(a.ID, func(old *journal.Alert) { *old = a })
			require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone"}, time.Now().Add(time.Duration(i)))))
			want = append(want, key(a.ID, 1))
		}
		time.Sleep(time.Second)
		_, stop := running(t, m, Options{}, Rung{Channel: p, PerHour: 1000})
		time.Sleep(time.Minute)
		stop()
		require.Equal(t, want, p.keys)
	})
}

func TestNoSecretReachesLogsOrStatus(t *testing.T) {
	var logged bytes.Buffer
	url := closedPort(t) + "/" + secret + "?auth=" + secret
	var channels []Channel
	channels = append(channels, both(t, url, time.Second)...)
	channels = append(channels,
		service(t, "generic+"+url, time.Second),
		mailer(t, MailConfig{Server: strings.TrimPrefix(closedPort(t), "http://"), User: "orla", Password: secret}))
	m, _, _ := told(t, "crash-now", "urgent", channels...)
	b, stop := running(t, m, Options{Logger: slog.New(slog.NewTextHandler(&logged, &slog.HandlerOptions{Level: slog.LevelDebug}))}, channels...)
	require.Eventually(t, func() bool {
		return !slices.ContainsFunc(b.Status(), func(s Status) bool { return s.LastError == "" })
	}, 2*time.Minute, 10*time.Millisecond)
	stop()
	require.Contains(t, logged.String(), "did not get through")
	require.NotContains(t, logged.String(), secret)
	require.NotContains(t, logged.String(), "token-of-crash-now", "the link's token is a secret too")
	for _, s := range b.Status() {
		require.NotContains(t, s.LastError, secret)
	}
	for _, d := range m.all() {
		require.NotContains(t, d.Error, secret)
	}
	for key, kept := range m.settings {
		require.NotContains(t, kept, secret, key)
	}
}
