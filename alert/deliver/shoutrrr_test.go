package deliver

import (
	"crypto/tls"
	"encoding/json"
	"log"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func service(t *testing.T, url string, limit time.Duration) *Shoutrrr {
	t.Helper()
	c, err := NewShoutrrr(ShoutrrrConfig{Name: "chat", URL: url, Timeout: limit})
	require.NoError(t, err)
	return c
}

// Each message has its own title: a sender used again says the last one's.
func TestAServiceGetsEachMessageWithItsOwnTitle(t *testing.T) {
	var mu sync.Mutex
	var got []map[string]string
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m map[string]string
		_ = json.NewDecoder(r.Body).Decode(&m)
		mu.Lock()
		defer mu.Unlock()
		got = append(got, m)
	}))
	t.Cleanup(s.Close)
	c := service(t, "generic+"+s.URL+"/"+secret+"?template=json", 0)
	require.NoError(t, c.Send(t.Context(), note()))
	other := note()
	other.Alert.Title, other.AckURL = "It stays below", ""
	require.NoError(t, c.Send(t.Context(), other))
	require.Len(t, got, 2)
	require.Equal(t, "Start the crash now: Weizen für Jörg", got[0]["title"])
	require.Equal(t, "Start the crash now, or keg.\n\nAnswer it here: https://cellar.example/a/abc", got[0]["message"])
	require.Equal(t, "It stays below", got[1]["title"])
	require.Equal(t, "Start the crash now, or keg.", got[1]["message"])
}

// Whatever the service does, the fault is told apart, and none of the library's
// words, which hold tokens, are told.
func TestBadServices(t *testing.T) {
	a := newAuthority(t)
	expired := httptest.NewUnstartedServer(nil)
	expired.TLS = &tls.Config{Certificates: []tls.Certificate{a.issue(t, time.Now().Add(-time.Hour))}}
	expired.Config.ErrorLog = log.New(t.Output(), "", 0)
	expired.StartTLS()
	t.Cleanup(expired.Close)
	status := func(code int) string {
		return "generic+" + serve(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }).URL + "/" + secret + "?@token=" + secret
	}
	bare := func(address string) string { return "generic+" + address + "/" + secret }
	cases := map[string]struct {
		url, says string
		fault     Fault
	}{
		"500":          {status(500), "answered 500", Temporary},
		"429":          {status(429), "answered 429", Temporary},
		"401":          {status(401), "check the token", Curable},
		"404":          {status(404), "check the address", Curable},
		"refuses":      {bare(closedPort(t)), "connection refused", Temporary},
		"hangs":        {bare(hangs(t)), "no answer in time", Temporary},
		"hangs up":     {bare(hangsUp(t)), "broke off", Temporary},
		"no such name": {bare("http://chat.invalid"), "DNS", Temporary},
		"expired":      {bare(expired.URL), "certificate", Curable},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			limit := 20 * time.Second
			if name == "hangs" {
				limit = 300 * time.Millisecond
			}
			err := service(t, c.url, limit).Send(t.Context(), note())
			var e *Error
			require.ErrorAs(t, err, &e)
			require.ErrorContains(t, err, c.says)
			require.Equal(t, c.fault, e.Fault, e.text)
			require.NotContains(t, err.Error(), secret)
		})
	}
}

// A service that logs in when it is made is not made before it is needed: the
// daemon starts while it is away.
func TestAServiceThatLogsInIsNotAskedAtTheStart(t *testing.T) {
	var asked atomic.Int64
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		asked.Add(1)
		w.WriteHeader(http.StatusForbidden)
	})
	c := service(t, "matrix://orla:"+secret+"@"+strings.TrimPrefix(s.URL, "http://")+"/?disableTLS=yes", 20*time.Second)
	require.Zero(t, asked.Load())
	err := c.Send(t.Context(), note())
	require.Error(t, err)
	require.NotZero(t, asked.Load())
	require.NotContains(t, err.Error(), secret)
	err = service(t, "matrix://orla:"+secret+"@"+strings.TrimPrefix(hangs(t), "http://")+"/?disableTLS=yes", 300*time.Millisecond).Send(t.Context(), note())
	require.ErrorContains(t, err, "no answer in time")
}

func TestServicesThatAreNone(t *testing.T) {
	for _, url := range []string{"", secret, "nosuch://" + secret, "logger://", "slack://" + secret, "://" + secret, "generic+http://[::1/" + secret, "ntfy://%zz/" + secret} {
		_, err := NewShoutrrr(ShoutrrrConfig{Name: "chat", URL: url})
		require.ErrorContains(t, err, "chat: ", url)
		require.NotContains(t, err.Error(), secret)
	}
}

// Attempts that the library leaves hanging are bounded, and given up after a
// while, so that a service that is back is reached.
func TestHangingAttemptsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &Shoutrrr{}
		for range hanging {
			require.True(t, c.begin(time.Now()))
			time.Sleep(time.Second)
		}
		require.False(t, c.begin(time.Now()))
		c.end(c.under[3])
		require.True(t, c.begin(time.Now()))
		require.False(t, c.begin(time.Now()))
		time.Sleep(hangingFor)
		require.True(t, c.begin(time.Now()))
	})
}

func TestServicesAreNamed(t *testing.T) {
	require.Contains(t, strings.Join(Services(), " "), "matrix")
	require.NotContains(t, Services(), "logger")
}
