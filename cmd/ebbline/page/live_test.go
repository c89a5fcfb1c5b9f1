package page

import (
	"bufio"
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// stream opens an event stream and gives its lines.
func (c *cellar) stream(ctx context.Context, client *http.Client) (<-chan string, *http.Response) {
	c.Helper()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, c.http.URL+"/events", nil)
	require.NoError(c, err)
	res, err := client.Do(r)
	require.NoError(c, err)
	lines := make(chan string, 100)
	go func() {
		defer close(lines)
		defer func() { _ = res.Body.Close() }()
		for s := bufio.NewScanner(res.Body); s.Scan(); {
			lines <- s.Text()
		}
	}()
	return lines, res
}

// next waits for a line that says so; a stream that ends before fails.
func next(t *testing.T, lines <-chan string, want string) {
	t.Helper()
	for {
		select {
		case l, open := <-lines:
			require.True(t, open, "the stream ended before %q", want)
			if l == want {
				return
			}
		case <-time.After(30 * time.Second):
			require.Fail(t, "nothing came", want)
		}
	}
}

func reading(at time.Time, v float64) []ingest.Reading {
	return []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, Value: v, DeviceTime: true}}
}

// An event says only "changed": what changed, the page asks for.
func TestEventsSayOnlyChanged(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	lines, res := c.stream(t.Context(), c.loggedIn())
	require.Equal(t, "text/event-stream", res.Header.Get("Content-Type"))
	next(t, lines, "event: hello")
	require.NoError(t, c.journal.Record(t.Context(), reading(noon, 1.0101), nil))
	next(t, lines, "event: changed")
	next(t, lines, "data: changed")
}

// A stream lives longer than the write time limit of other answers: with a
// limit in place it would be cut off at once.
func TestStreamsHaveNoWriteDeadline(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	client := c.loggedIn()
	hurried := httptest.NewUnstartedServer(nil)
	c.server.Configure(hurried.Config)
	hurried.Config.WriteTimeout = time.Nanosecond
	hurried.Start()
	defer hurried.Close()
	defer c.server.Close()
	c.http.URL, hurried.URL = hurried.URL, c.http.URL
	defer func() { c.http.URL = hurried.URL }()
	lines, _ := c.stream(t.Context(), client)
	next(t, lines, "event: hello")
	require.NoError(t, c.journal.Record(t.Context(), reading(noon, 1.0102), nil))
	next(t, lines, "event: changed")
}

// Shutdown ends the streams; without that it would wait for them for ever.
func TestShutdownEndsStreams(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	lines, _ := c.stream(t.Context(), c.loggedIn())
	next(t, lines, "event: hello")
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	require.NoError(t, c.http.Config.Shutdown(ctx))
	next(t, lines, "event: bye")
}

// A browser that goes away frees its place; more than the most are refused.
func TestStreamsAreBounded(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for range maxStreams {
		c.server.streams <- struct{}{}
	}
	r := c.get(c.loggedIn(), "/events")
	require.Equal(t, http.StatusServiceUnavailable, r.status)
	require.NotEmpty(t, r.header.Get("Retry-After"))
	<-c.server.streams
	ctx, leave := context.WithCancel(t.Context())
	lines, _ := c.stream(ctx, c.loggedIn())
	next(t, lines, "event: hello")
	require.Len(t, c.server.streams, maxStreams)
	leave()
	require.Eventually(t, func() bool { return len(c.server.streams) == maxStreams-1 }, 2*time.Minute, time.Millisecond)
}

// Sixteen open pages all hear of a change, and none keeps the others waiting.
func TestSixteenPagesHear(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	client := c.loggedIn()
	var all []<-chan string
	for range 16 {
		lines, _ := c.stream(t.Context(), client)
		next(t, lines, "event: hello")
		all = append(all, lines)
	}
	require.NoError(t, c.journal.Record(t.Context(), reading(noon, 1.0103), nil))
	var wg sync.WaitGroup
	for _, lines := range all {
		wg.Go(func() { next(t, lines, "event: changed") })
	}
	wg.Wait()
}

func TestHeadersKeepABrowserCareful(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) {
		o.Extra = map[string]http.Handler{"/healthz": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("fine")) })}
	})
	for _, path := range []string{"/login", "/", "/assets/page.css", "/api/v1/batches", "/a/none", "/nowhere", "/healthz"} {
		r := c.get(c.browser(), path)
		csp := r.header.Get("Content-Security-Policy")
		require.Contains(t, csp, "default-src 'none'", path)
		require.NotContains(t, csp, "unsafe", path)
		require.Equal(t, "nosniff", r.header.Get("X-Content-Type-Options"), path)
		require.Equal(t, "DENY", r.header.Get("X-Frame-Options"), path)
	}
	require.Equal(t, "fine", c.get(c.browser(), "/healthz").body, "without a login")
	require.Equal(t, "no-referrer", c.get(c.browser(), "/a/tok-urgent").header.Get("Referrer-Policy"), "the token goes nowhere")
	for _, path := range []string{"/assets/../page.go", "/assets/..%2f..%2fpage.go", "/assets/%2e%2e/page.go", "//etc/passwd", "/assets/"} {
		require.Equal(t, http.StatusNotFound, c.get(c.browser(), path).status, path)
	}
}

func TestAssetsAreKeptByTheBrowser(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	body := c.get(c.browser(), "/login").body
	_, rest, _ := strings.Cut(body, `href="/assets/page.css`)
	version, _, _ := strings.Cut(rest, `"`)
	r := c.get(c.browser(), "/assets/page.css"+version)
	require.Contains(t, r.header.Get("Cache-Control"), "immutable")
	require.Equal(t, "no-cache", c.get(c.browser(), "/assets/page.css").header.Get("Cache-Control"))
	r = c.get(c.browser(), "/assets/page.css", "If-None-Match", r.header.Get("ETag"))
	require.Equal(t, http.StatusNotModified, r.status)
	packed := c.get(c.browser(), "/assets/vendor/uPlot.iife.min.js", "Accept-Encoding", "gzip")
	require.Equal(t, "gzip", packed.header.Get("Content-Encoding"))
	require.Less(t, len(packed.body), 25_000)
	plain := c.get(c.browser(), "/assets/vendor/uPlot.iife.min.js", "Accept-Encoding", "gzip;q=0")
	require.Empty(t, plain.header.Get("Content-Encoding"))
}
