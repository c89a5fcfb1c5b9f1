package mirror_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal/journaltest"
	"ebbline/ingest/mirror"
)

func httpPost(address, body string) (int, error) {
	answer, err := http.Post(address, "text/plain", strings.NewReader(body))
	if err != nil {
		return 0, err
	}
	return answer.StatusCode, answer.Body.Close()
}

// fake answers as told and keeps the lines it accepted.
type fake struct {
	mu       sync.Mutex
	answer   func(lines []string) (status int, header http.Header)
	accepted map[string]int
	requests int
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	lines := strings.Split(strings.TrimSpace(string(body)), "\n")
	f.mu.Lock()
	defer f.mu.Unlock()
	f.requests++
	status, header := f.answer(lines)
	for name, values := range header {
		w.Header()[name] = values
	}
	w.WriteHeader(status)
	_, _ = io.WriteString(w, "as told; token was "+r.Header.Get("Authorization"))
	if status/100 == 2 {
		for _, l := range lines {
			f.accepted[l]++
		}
	}
}

func (f *fake) now(answer func([]string) (int, http.Header)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.answer = answer
}

func (f *fake) asked() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.requests
}

func always(status int) func([]string) (int, http.Header) {
	return func([]string) (int, http.Header) { return status, nil }
}

func newFake(t *testing.T, answer func([]string) (int, http.Header)) (*fake, mirror.Config) {
	f := &fake{answer: answer, accepted: map[string]int{}}
	s := httptest.NewServer(f)
	t.Cleanup(s.Close)
	return f, mirror.Config{URL: s.URL, Org: "cellar", Bucket: "beer", Token: "aging-hops", Chunk: 64, RetryFirst: time.Millisecond, RetryMost: 5 * time.Millisecond}
}

// Law: of a chunk with refused points, these alone are skipped, and counted;
// all others are accepted.
func TestRefusedPointsAreHalvedOut(t *testing.T) {
	for _, status := range []int{400, 413, 422} {
		f, cfg := newFake(t, func(lines []string) (int, http.Header) {
			for _, l := range lines {
				if strings.Contains(l, "value=3 ") || status == 413 && len(lines) > 10 {
					return status, nil
				}
			}
			return 204, nil
		})
		j := journaltest.Open(t)
		record(t, j, 0, 45) // temperatures 3 are at 3, 23 and 43
		m := start(t, cfg, j)
		st := eventually(t, m, "all is dealt with", func(st mirror.Status) bool { return st.Behind == 0 })
		require.EqualValues(t, 3*len(sensors), st.Skipped)
		require.EqualValues(t, (45*2-3)*len(sensors), st.Written)
		require.Empty(t, st.Problem, "a refused point is not a broken mirror")
		require.NotContains(t, st.LastSkip, "aging-hops", "no token in what is shown")
		require.Len(t, f.accepted, (45*2-3)*len(sensors))
		for line, times := range f.accepted {
			require.Equal(t, 1, times, line)
		}
	}
}

func TestServerThatTakesNothingIsTriedUntilItDoes(t *testing.T) {
	for status, advice := range map[int]string{
		401: "check the token", 403: "check the token", 404: "check url, org and bucket", 408: "it answers 408", 429: "slower", 500: "it answers 500", 503: "it answers 503",
	} {
		f, cfg := newFake(t, always(status))
		j := journaltest.Open(t)
		record(t, j, 0, 10)
		m := start(t, cfg, j)
		st := eventually(t, m, "it is tried again", func(mirror.Status) bool { return f.asked() >= 3 })
		require.Contains(t, st.Problem, advice)
		require.NotContains(t, st.Problem, "aging-hops")
		require.Zero(t, st.Written+st.Skipped)
		f.now(always(204))
		st = eventually(t, m, "all is copied", func(st mirror.Status) bool { return st.Behind == 0 && st.Problem == "" })
		require.EqualValues(t, 80, st.Written)
		require.Zero(t, st.Skipped)
		require.Len(t, f.accepted, 80)
	}
}

func TestRetryAfterIsHonoured(t *testing.T) {
	var refusedAt, acceptedAt time.Time
	f, cfg := newFake(t, nil)
	f.answer = func([]string) (int, http.Header) {
		if refusedAt.IsZero() {
			refusedAt = time.Now()
			return 429, http.Header{"Retry-After": {"1"}}
		}
		acceptedAt = time.Now()
		return 204, nil
	}
	j := journaltest.Open(t)
	record(t, j, 0, 1)
	m := start(t, cfg, j)
	eventually(t, m, "all is copied", func(st mirror.Status) bool { return st.Written == 8 })
	require.GreaterOrEqual(t, acceptedAt.Sub(refusedAt), time.Second)
}

func TestSeriesAreBounded(t *testing.T) {
	f, cfg := newFake(t, always(204))
	cfg.MaxSeries = 3
	j := journaltest.Open(t)
	record(t, j, 0, 10)
	m := start(t, cfg, j)
	st := eventually(t, m, "all is dealt with", func(st mirror.Status) bool { return st.Behind == 0 })
	require.EqualValues(t, 30, st.Written)
	require.EqualValues(t, 50, st.Skipped)
	require.Contains(t, st.LastSkip, "more than 3 series")
	require.Len(t, f.accepted, 30)
}

func TestPointsAsWritten(t *testing.T) {
	f, cfg := newFake(t, always(204))
	j := journaltest.Open(t)
	at := pitch.Add(123456 * time.Microsecond)
	require.NoError(t, j.Record(t.Context(), []ingest.Reading{{Sensor: "cellar/tank 7", Quantity: ingest.Gravity, Time: at, Arrived: at, Value: 1}}, nil))
	eventually(t, start(t, cfg, j), "copied", func(st mirror.Status) bool { return st.Written == 1 })
	require.Equal(t, map[string]int{`reading,quantity=gravity,sensor=cellar/tank\ 7 value=1 1772474400123456`: 1}, f.accepted)
}

func TestWrongConfigurationIsSaid(t *testing.T) {
	good := mirror.Config{URL: "http://127.0.0.1:8428", Bucket: "beer"}
	require.NoError(t, good.Validate())
	for name, spoil := range map[string]func(*mirror.Config){
		"url":    func(c *mirror.Config) { c.URL = "127.0.0.1:8428" },
		"host":   func(c *mirror.Config) { c.URL = "http://" },
		"scheme": func(c *mirror.Config) { c.URL = "udp://127.0.0.1:8089" },
		"broken": func(c *mirror.Config) { c.URL = "http://[::1" },
		"bucket": func(c *mirror.Config) { c.Bucket = "" },
		"chunk":  func(c *mirror.Config) { c.Chunk = -1 },
	} {
		bad := good
		spoil(&bad)
		require.Error(t, bad.Validate(), name)
		m := mirror.New(bad, journaltest.Open(t), nil)
		m.Run(t.Context()) // returns at once
		require.Contains(t, m.Status().Problem, "its configuration is wrong", name)
	}
}

// A token that was changed at the server and in its file needs no restart.
func TestAChangedTokenIsTakenUp(t *testing.T) {
	var asked atomic.Int64
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		status := http.StatusNoContent
		if r.Header.Get("Authorization") != "Token fresh-hops" {
			status = http.StatusUnauthorized
		}
		w.WriteHeader(status)
	}))
	t.Cleanup(s.Close)
	_, cfg := newFake(t, nil)
	cfg.URL = s.URL
	var changed atomic.Bool
	cfg.Renew = func() (string, error) {
		if !changed.Load() {
			return "", nil // the file is being written
		}
		return "fresh-hops", nil
	}
	j := journaltest.Open(t)
	record(t, j, 0, 10)
	m := start(t, cfg, j)
	st := eventually(t, m, "it is refused", func(mirror.Status) bool { return asked.Load() >= 3 })
	require.Contains(t, st.Problem, "check the token")
	changed.Store(true)
	st = eventually(t, m, "all is copied", func(st mirror.Status) bool { return st.Behind == 0 && st.Problem == "" })
	require.EqualValues(t, 80, st.Written)
}
