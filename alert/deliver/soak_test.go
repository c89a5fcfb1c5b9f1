package deliver

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// flaky is a channel that is up and down by turns.
type flaky struct {
	phone
	up    bool
	since time.Time // of that
}

func (f *flaky) turn(up bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.up, f.since = up, time.Now()
}

// for how long it has been as it is.
func (f *flaky) been() (up bool, long time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.up, time.Since(f.since)
}

// soak is twelve hours of four batches, channels that come and go, answers that
// come or not, and restarts, drawn from a seed.
type soak struct {
	t        *testing.T
	rng      *rand.Rand
	store    *memory
	channels []*flaky
	ladder   []Channel
	raised   int
	ran      time.Time // since when the outbox runs
}

func newSoak(t *testing.T, seed uint64) *soak {
	s := &soak{t: t, rng: rand.New(rand.NewPCG(seed, 5)), store: newMemory(), ran: time.Now()}
	for i, name := range []string{"phone", "letter", "chat"} {
		f := &flaky{phone: phone{name: name}, up: true, since: time.Now()}
		f.answer = func(context.Context, int) error {
			if up, _ := f.been(); up {
				return nil
			}
			time.Sleep(time.Duration(s.draw(20)) * time.Second) // refused at once, or hanging
			return &Error{text: "not sent"}
		}
		s.channels = append(s.channels, f)
		s.ladder = append(s.ladder, Rung{Channel: f, Second: i > 0, After: time.Duration(i) * quarter, PerHour: 1000})
	}
	return s
}

// draw is 0 to n-1; the store's lock keeps it to one at a time.
func (s *soak) draw(n int) int {
	s.store.mu.Lock()
	defer s.store.mu.Unlock()
	return s.rng.IntN(n)
}

// raise queues an alert of one of four batches.
func (s *soak) raise() {
	kind, severity := "sensor-silent", "warning"
	if s.draw(3) > 0 {
		kind, severity = "crash-now", urgent
	}
	s.raised++
	a := ring(kind, severity, time.Now())
	a.Batch = fmt.Sprintf("batch-%d", s.draw(4))
	a.ID = fmt.Sprintf("%s/%s/%d", a.Batch, kind, s.raised)
	s.store.change(a.ID, func(old *journal.Alert) { *old = a })
	require.NoError(s.t, s.store.Queue(s.t.Context(), Plan(a, []string{"phone", "letter", "chat"}, a.Recorded)))
}

// answer acknowledges some of what is open.
func (s *soak) answer(all bool) {
	for id, a := range s.alerts() {
		if a.Acknowledged == nil && (all || s.draw(2) == 0) {
			s.store.change(id, func(a *journal.Alert) { a.Acknowledged = ptr(time.Now()) })
		}
	}
}

func (s *soak) alerts() map[string]journal.Alert {
	s.store.mu.Lock()
	defer s.store.mu.Unlock()
	all := map[string]journal.Alert{}
	for id, a := range s.store.alerts {
		all[id] = a
	}
	return all
}

// reachable reports whether somebody must have been told by now of an alert that
// has been open for so long while the outbox ran: the first channel is up for a
// minute, or one further down is, and those before it down, for long enough to be
// seen dead: an attempt that hangs for 20 s and half a minute of failing each, one
// after the other.
func (s *soak) reachable(open time.Duration) bool {
	open = min(open, time.Since(s.ran))
	const back = time.Minute
	for i, f := range s.channels {
		seen := 30*time.Second + time.Duration(max(i, 1))*time.Minute
		up, long := f.been()
		if up {
			return long > seen && open > seen || i == 0 && long > back && open > back
		}
		if long < seen {
			return false
		}
	}
	return false
}

// check holds that whoever can be told has been told.
func (s *soak) check() {
	told := map[string]bool{}
	for _, f := range s.channels {
		for _, k := range f.told() {
			told[k] = true
		}
	}
	for id, a := range s.alerts() {
		if a.Acknowledged == nil && !told[key(id, 1)] && s.reachable(time.Since(a.Recorded)) {
			require.Fail(s.t, "nobody was told", "%s of %v at %v", id, a.Recorded, time.Now())
		}
	}
}

// Law: over twelve hours in which everything comes and goes, nobody is told twice
// of one telling, and whoever can be reached is told within a minute or two.
func TestTwelveHoursOfComingAndGoing(t *testing.T) {
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newSoak(t, seed)
				_, stop := running(t, s.store, Options{}, s.ladder...)
				for range 12 * 120 {
					pass(30 * time.Second)
					switch s.draw(120) {
					case 0, 1, 2:
						s.raise()
					case 3, 4:
						s.answer(false)
					case 5, 6, 7, 8, 9, 10, 11:
						f := s.channels[s.draw(3)]
						up, _ := f.been()
						f.turn(!up)
					case 12:
						stop()
						pass(time.Duration(s.draw(60)) * time.Second)
						_, stop = running(t, s.store, Options{}, s.ladder...)
						s.ran = time.Now()
					}
					s.check()
				}
				s.answer(true)
				for _, f := range s.channels {
					f.turn(true)
				}
				pass(time.Hour)
				stop()
				require.NotZero(t, s.raised)
				for _, f := range s.channels {
					once := f.told()
					slices.Sort(once)
					require.Len(t, slices.Compact(once), len(f.told()), "none twice by %s", f.name)
				}
				for _, d := range s.store.all() {
					require.NotNil(t, d.Done, "nothing waits for ever: %+v", d)
				}
			})
		})
	}
}
