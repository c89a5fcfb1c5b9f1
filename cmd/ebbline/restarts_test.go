package main

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// restartsEnv says how often the daemon is restarted; unless set, as often as
// fits into restartsFor.
const (
	restartsEnv = "EBBLINE_RESTARTS"
	restartsFor = 15 * time.Second
)

// ringEvery is how often the unanswered crash-now rings in this test.
const ringEvery = 2 * time.Second

// TestRestartsWithCrashNowRinging restarts the real daemon again and again while
// crash-now is due, by turns with kill -9 and as a service manager does: one
// notification for each repeat that is due, doubled at most by a kill; the ladder
// goes on where it was; the command is sent once; answered stays answered.
func TestRestartsWithCrashNowRinging(t *testing.T) {
	t.Parallel()
	d := dueBatch(t, time.Hour)
	h := newResidence(t)
	s := newSink(t)
	m := newMosquitto(t)
	m.start()
	h.url = "tcp://" + m.addr
	h.extra = coolOnCommand + fmt.Sprintf("notify: [{webhook: %q}]\ninsist: {first: %v, then: %v}\n", s.URL+"/hook", ringEvery, ringEvery)
	p := h.serve(t, d.batch)
	requireReadyWithin10s(t, p)
	l := listenTo(t, m.addr, switchTopic)
	publish(t, m.addr, "cellar/float-1", d.lines)
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 && len(l.on(switchTopic)) > 0 }, longEnough, 20*time.Millisecond)

	begun := time.Now()
	kills, n := 0, 0
	for ; goesOn(t, n, begun, s); n++ {
		time.Sleep(time.Duration(150+n*97%700) * time.Millisecond) // a moment that differs each time
		if n%2 == 0 {
			p.kill()
			kills++
		} else {
			p.term()
		}
		p = h.serve(t)
	}
	rang := s.of("crash-now")
	requireOneRingEach(t, rang, kills, time.Since(rang[0].At))
	require.Len(t, l.on(switchTopic), 1, "the command")

	link := rang[0].Body["ack_url"].(string)
	resp, err := http.Post(strings.Replace(link, "http://"+hostOf(link), p.page, 1), "", nil)
	require.NoError(t, err)
	resp.Body.Close()
	require.Less(t, resp.StatusCode, 300)
	answered := standsStill(t, 2*ringEvery, func() int { return len(s.of("crash-now")) }, "answered is answered")
	for range 5 {
		p.kill()
		p = h.serve(t)
		time.Sleep(ringEvery / 2)
	}
	require.Len(t, s.of("crash-now"), answered, "answered stays answered")
	require.Len(t, l.on(switchTopic), 1, "the command")
	t.Logf("%d restarts, %d of them kills; %d rings; 1 command", n+5, kills+5, len(rang))
}

// goesOn is true until there were as many restarts as were asked for, or some
// seconds of them and a few rings.
func goesOn(t *testing.T, n int, begun time.Time, s *sink) bool {
	if most := often(t, restartsEnv, 0); most > 0 {
		return n < most
	}
	tellings := map[string]bool{} // a kill may double one
	for _, c := range s.of("crash-now") {
		tellings[c.Key] = true
	}
	took := time.Since(begun)
	return took < restartsFor || took < longEnough && len(tellings) < 6
}

// requireOneRingEach wants the tellings numbered on, none skipped, none before
// its time, and at most one doubled by each kill.
func requireOneRingEach(t *testing.T, rang []hookCall, kills int, lasted time.Duration) {
	t.Helper()
	telling, doubled := 0, 0
	for _, c := range rang {
		require.Equal(t, rang[0].Body["id"], c.Body["id"], "one alert")
		number, err := strconv.Atoi(c.Key[strings.LastIndex(c.Key, "#")+1:])
		require.NoError(t, err)
		switch number {
		case telling + 1:
			telling = number
		case telling:
			doubled++
		default:
			t.Fatalf("telling %d follows %d: the ladder was reset or skipped", number, telling)
		}
	}
	require.LessOrEqual(t, doubled, kills)
	require.LessOrEqual(t, telling, int(lasted/ringEvery)+1, "more rings than were due")
	require.Greater(t, telling, 3)
	t.Logf("%d tellings, %d doubled, in %v", telling, doubled, lasted.Round(time.Second))
}
