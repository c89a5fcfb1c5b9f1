package main

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// sink is a phone: it takes every webhook and remembers it.
type sink struct {
	*httptest.Server
	mu   sync.Mutex
	rang []hookCall
}

type hookCall struct {
	At   time.Time
	Key  string // of the delivery: the same at each attempt
	Body map[string]any
}

func newSink(t testing.TB) *sink {
	t.Helper()
	s := &sink{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		call := hookCall{At: time.Now(), Key: r.Header.Get("Ebbline-Delivery")}
		if err := json.NewDecoder(r.Body).Decode(&call.Body); err != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		s.mu.Lock()
		s.rang = append(s.rang, call)
		s.mu.Unlock()
	}))
	t.Cleanup(s.Close)
	return s
}

// all are the calls so far.
func (s *sink) all() []hookCall {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.rang)
}

// of are the calls of one kind so far.
func (s *sink) of(kind string) []hookCall {
	s.mu.Lock()
	defer s.mu.Unlock()
	var calls []hookCall
	for _, c := range s.rang {
		if c.Body["kind"] == kind {
			calls = append(calls, c)
		}
	}
	return calls
}

// TestThePhoneRingsUntilAnswered publishes a capture up to its crash-now: the
// phone rings, rings again, is neither silenced nor doubled by kill -9, and
// stops when the link is answered.
func TestThePhoneRingsUntilAnswered(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(captures, "plain-02")
	batch, lines := timedBatch(t, dir), captureLines(t, dir)
	at := crashOfPlain02(t)
	s := newSink(t)
	h := newResidence(t)
	h.extra = "notify:\n  - webhook: " + s.URL + "/hook\ninsist: {first: 2s, then: 2s}\n"
	p := h.serve(t, batch)
	n := 0
	for n < len(lines) && !lines[n].Time.After(at.Add(30*time.Minute)) {
		n++
	}
	publish(t, p.mqtt, "cellar/float-1", timed(t, lines[:n]))

	require.Eventually(t, func() bool { return len(s.of("crash-now")) >= 2 }, longEnough, 20*time.Millisecond, "the phone must ring, and again")
	first := s.of("crash-now")[0].Body
	for _, key := range []string{"id", "batch", "kind", "severity", "title", "message", "time", "crash_by", "ack_url", "abv", "abv_sd", "gravity", "gravity_sd"} {
		require.Contains(t, first, key)
	}
	require.Equal(t, at.Format(time.RFC3339), first["time"], "the moment is the batch's, as in replay")
	require.Equal(t, "urgent", first["severity"])
	require.Less(t, first["abv"], 0.5, "the figures are those of that moment")

	before := len(s.of("crash-now"))
	p.kill()
	p = h.serve(t)
	require.Eventually(t, func() bool { return len(s.of("crash-now")) >= before+2 }, longEnough, 20*time.Millisecond, "after a kill the phone must go on ringing")
	calls := s.of("crash-now")
	for i := 1; i < len(calls); i++ {
		require.Equal(t, first["id"], calls[i].Body["id"], "one alert, told again")
	}
	require.LessOrEqual(t, tooClose(calls, time.Second), 1, "at most one doubled by the kill")

	link := strings.Replace(first["ack_url"].(string), "http://"+hostOf(first["ack_url"].(string)), p.page, 1)
	resp, err := http.Get(link)
	require.NoError(t, err)
	resp.Body.Close()
	require.Equal(t, 200, resp.StatusCode)
	seen := len(s.of("crash-now"))
	require.Eventually(t, func() bool { return len(s.of("crash-now")) > seen }, longEnough, 20*time.Millisecond, "looking at the link answers nothing")

	resp, err = http.Post(link, "", nil)
	require.NoError(t, err)
	resp.Body.Close()
	require.Less(t, resp.StatusCode, 300)
	seen = standsStill(t, 6*time.Second, func() int { return len(s.of("crash-now")) }, "answered is answered")

	p.kill()
	h.serve(t)
	time.Sleep(5 * time.Second)
	require.Len(t, s.of("crash-now"), seen, "and stays answered over a restart")
}

func hostOf(link string) string {
	_, rest, _ := strings.Cut(link, "://")
	host, _, _ := strings.Cut(rest, "/")
	return host
}

// tooClose counts calls that follow the one before within d.
func tooClose(calls []hookCall, d time.Duration) int {
	n := 0
	for i := 1; i < len(calls); i++ {
		if calls[i].At.Sub(calls[i-1].At) < d {
			n++
		}
	}
	return n
}

// replayOfPlain02 is what replay says of that capture; many tests rest on it.
var replayOfPlain02 = sync.OnceValues(func() ([]byte, error) {
	exe, err := quickProgram()
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(captures, "plain-02")
	return exec.Command(exe, "replay", "--batch", filepath.Join(dir, "batch.yaml"), filepath.Join(dir, "capture.jsonl.gz")).Output()
})

// crashOfPlain02 is when replay raises crash-now in that capture.
func crashOfPlain02(t testing.TB) time.Time {
	t.Helper()
	out, err := replayOfPlain02()
	require.NoError(t, err)
	for _, text := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var l outputLine
		require.NoError(t, json.Unmarshal([]byte(text), &l))
		if l.Kind == "crash-now" {
			return l.Time
		}
	}
	t.Fatal("replay raised no crash-now")
	return time.Time{}
}
