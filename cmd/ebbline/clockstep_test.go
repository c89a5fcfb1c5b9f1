package main

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
)

// hostClock is the host's clock, which somebody may set.
type hostClock struct{ offset atomic.Int64 }

func (c *hostClock) Now() time.Time { return time.Now().Round(0).Add(time.Duration(c.offset.Load())) }

func (c *hostClock) step(d time.Duration) { c.offset.Add(int64(d)) }

// underClock is a daemon that watches a batch by the host's clock, and tells s.
func underClock(t *testing.T, clock *hostClock, b due, s *sink) (*daemon, config.BatchFile) {
	t.Helper()
	cfg, err := config.Parse("ebbline.yaml", []byte(fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\ntimezone: UTC\nnotify: [{webhook: %q}]\n", t.TempDir(), s.URL+"/hook")),
		func(string) (string, bool) { return "", false })
	require.NoError(t, err)
	file, err := config.LoadBatch(b.batch)
	require.NoError(t, err)
	d, err := startDaemon(t.Context(), cfg, clock, false, slog.New(slog.DiscardHandler), file)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	return d, file
}

// The host's clock is set an hour forward, and later an hour back. Every reading
// is kept once, the belief goes on and its times never go back, crash-now rings
// once and nothing else rings; health says why the watch waits.
func TestTheHostsClockIsSet(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, -90*time.Minute) // the crash falls due in an hour and a half
	s, clock := newSink(t), new(hostClock)
	d, file := underClock(t, clock, b, s)
	publish(t, d.mqttAddr(), "cellar/float-1", b.lines)
	state := func() alert.State { st, _, _ := d.keeper.stateOf(b.id); return st }
	reachedPresent := func() {
		t.Helper()
		look := clock.Now().Add(-15*time.Minute - settle) // the beer is looked at every quarter of an hour since pitch
		require.Eventually(t, func() bool { return !state().Now.Before(look) }, longEnough, 20*time.Millisecond, "before %v", look)
	}
	reachedPresent()
	require.Empty(t, s.of("crash-now"))

	rest := captureLines(t, filepath.Join(captures, "plain-02"))[len(b.lines):]
	give := func(n int) { // the device's own clock is right
		for _, l := range rest[:n] {
			l.Time = l.Time.Add(b.shift)
			publish(t, d.mqttAddr(), "cellar/float-1", timed(t, []captureLine{l}))
		}
		rest = rest[n:]
	}
	clock.step(time.Hour)
	give(4)
	reachedPresent()
	require.Empty(t, d.watchProblem())

	clock.step(-time.Hour)
	ahead := state().Now
	require.Contains(t, d.watchProblem(), "was set back")
	give(4)
	require.False(t, state().Now.Before(ahead))
	clock.step(2 * time.Hour) // time passes
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond, "%s", alert.Sentence(file.Batch, state()))
	require.Empty(t, d.watchProblem())
	waitForQuietPhone(t, s)
	kinds := map[string]int{}
	for _, c := range s.all() {
		kinds[fmt.Sprint(c.Body["kind"])]++
	}
	t.Logf("rang: %v", kinds)
	require.Equal(t, 1, kinds["crash-now"])
	require.LessOrEqual(t, len(s.all()), 4, "no storm: %v", kinds)
	require.EqualValues(t, 2*(len(b.lines)+8), d.journal.Stats().Readings)
	events, err := d.journal.Events(t.Context(), b.id, []string{"estimate"}, time.Time{}, time.Time{}, 100000, false)
	require.NoError(t, err)
	for i := 1; i < len(events); i++ {
		require.False(t, events[i].Time.Before(events[i-1].Time))
	}
}

// The host's clock runs three days ahead, so that what is due in an hour and a half
// rings at once, and a reading without a time of its own is stamped ahead. Put right,
// and said to be right, nothing of the future is left, and crash-now rings when it
// is due.
func TestAClockThatRanAheadIsPutRight(t *testing.T) {
	t.Parallel()
	b := dueBatch(t, -90*time.Minute)
	s, clock := newSink(t), new(hostClock)
	const ahead = 72 * time.Hour
	clock.step(ahead)
	d, file := underClock(t, clock, b, s)
	state := func() alert.State { st, _, _ := d.keeper.stateOf(b.id); return st }
	publish(t, d.mqttAddr(), "cellar/float-1", b.lines)
	require.Eventually(t, func() bool { return state().Now.After(time.Now().Add(-time.Hour)) }, longEnough, 20*time.Millisecond)
	clock.step(firstIdle) // no record is being played
	require.Eventually(t, func() bool { return len(s.of("crash-now")) == 1 && state().Now.After(clock.Now().Add(-time.Hour)) }, longEnough, 20*time.Millisecond)
	publish(t, d.mqttAddr(), "cellar/float-1", []string{strings.Replace(b.lines[len(b.lines)-1], `"ts"`, `"was"`, 1)})
	require.Eventually(t, func() bool { return d.journal.Stats().Readings == int64(2*len(b.lines)+2) }, longEnough, 20*time.Millisecond)

	clock.step(-ahead - firstIdle)
	require.True(t, d.watchHealth().Ahead)
	blind, later := d.outcries()[1], time.Now()
	blind.now = func() time.Time { later = later.Add(9 * time.Minute); return later }
	for range 2 {
		blind.look(t.Context())
		require.Empty(t, s.of("cannot-watch"), "a time server may mend it")
	}
	blind.look(t.Context())
	require.Len(t, s.of("cannot-watch"), 1, "nothing falls due, and nobody looks at the page")
	require.Contains(t, s.of("cannot-watch")[0].Body["message"], "look at the beer yourself. The clock of this machine was set back")
	require.NoError(t, d.PutRight(t.Context()))
	present := func() bool {
		now := clock.Now()
		return !state().Now.After(now) && state().Now.After(now.Add(-time.Hour))
	}
	require.Eventually(t, present, longEnough, 20*time.Millisecond)
	require.Empty(t, d.watchProblem())
	var refused *page.Refused
	require.ErrorAs(t, d.PutRight(t.Context()), &refused, "nothing is ahead any more")
	require.NoError(t, d.journal.Check(t.Context()))
	seen, err := d.journal.Seen(t.Context())
	require.NoError(t, err)
	for _, r := range seen {
		require.False(t, r.Last.Time.After(clock.Now()), "%+v", r)
	}
	events, err := d.journal.Events(t.Context(), b.id, nil, clock.Now(), time.Time{}, 0, false)
	require.NoError(t, err)
	require.Empty(t, events)
	open, err := d.journal.Alerts(t.Context(), b.id, true)
	require.NoError(t, err)
	for _, a := range open {
		require.NotEqual(t, string(alert.CrashNow), a.Kind)
	}
	require.Len(t, s.of("crash-now"), 1)
	clock.step(3 * time.Hour) // time passes
	require.Eventually(t, func() bool { return len(s.of("crash-now")) == 2 }, longEnough, 20*time.Millisecond, "%s", alert.Sentence(file.Batch, state()))
}

func (d *daemon) watchProblem() string {
	if h := d.watchHealth(); !h.OK {
		return h.Text
	}
	return ""
}

// The whole host is suspended while readings, the crash due in them, come to the
// broker: afterwards all are in, once each, and the phone rings once.
func TestASuspendedHost(t *testing.T) {
	t.Parallel()
	b, s, h := dueBatch(t, time.Hour), newSink(t), newResidence(t)
	h.quick, h.extra = true, fmt.Sprintf("notify: [{webhook: %q}]\n", s.URL+"/hook")
	addr := h.broker(t, "mosquitto")
	p := h.serve(t, b.batch)
	requireReadyWithin10s(t, p)
	half := len(b.lines) / 2
	publish(t, addr, "cellar/float-1", b.lines[:half])
	require.Eventually(t, func() bool { return metric(p, "ebbline_journal_readings") == fmt.Sprint(2*half) }, longEnough, 20*time.Millisecond)
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGSTOP))
	publish(t, addr, "cellar/float-1", b.lines[half:])
	time.Sleep(time.Duration(often(t, "EBBLINE_SUSPENDED", 10)) * time.Second) // the broker gives up after 7.5 s
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGCONT))
	begun := time.Now()
	require.Eventually(t, func() bool { return metric(p, "ebbline_journal_readings") == fmt.Sprint(2*len(b.lines)) }, longEnough, 20*time.Millisecond)
	requireReadyWithin10s(t, p)
	t.Logf("all in %v after it was woken", time.Since(begun).Round(10*time.Millisecond))
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond)
	waitForQuietPhone(t, s)
	require.Len(t, s.of("crash-now"), 1)
	require.LessOrEqual(t, len(s.all()), 4, "no storm")
	require.NotContains(t, strings.ToLower(p.stderr.String()), "panic")
	p.term()
}
