package deliver

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"io"
	"mime"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

const secret = "tell-nobody-0815"

// server answers on loopback and remembers the last request.
type server struct {
	*httptest.Server
	mu     sync.Mutex // one that hangs is asked again before it has let go
	header http.Header
	method string
	path   string
	body   []byte
}

func serve(t *testing.T, answer http.HandlerFunc) *server {
	t.Helper()
	s := &server{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		s.mu.Lock()
		s.header, s.method, s.path, s.body = r.Header.Clone(), r.Method, r.URL.Path, body
		s.mu.Unlock()
		if answer != nil {
			answer(w, r)
		}
	}))
	t.Cleanup(s.Close)
	return s
}

func note() Note {
	a := ring("crash-now", "urgent", base)
	a.Title = "Start the crash now: Weizen für Jörg"
	a.Body = json.RawMessage(`{"id":"pale-wheat-12/crash-now/1","batch":"pale wheat 12","kind":"crash-now","severity":"urgent","title":"old","message":"old",` +
		`"time":"2026-03-04T22:00:00.5+01:00","crash_by":"2026-03-04T22:40:12.7+01:00","abv":0.36,"abv_sd":0.07,"gravity":1.0104,"gravity_sd":0.0005}`)
	return Note{Alert: a, N: 2, AckURL: "https://cellar.example/a/abc"}
}

// Contract §8, to the letter.
func TestWebhookBodyIsTheContracts(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusAccepted) })
	w, err := NewWebhook(WebhookConfig{Name: "hook", URL: s.URL + "/" + secret, Token: "t0k", Secret: "Jefe"})
	require.NoError(t, err)
	require.NoError(t, w.Send(t.Context(), note()))
	require.JSONEq(t, `{"id":"pale-wheat-12/crash-now/1","batch":"pale wheat 12","kind":"crash-now","severity":"urgent","title":"Start the crash now: Weizen für Jörg","message":"Start the crash now, or keg.",`+
		`"time":"2026-03-04T21:00:00Z","crash_by":"2026-03-04T21:40:12Z","ack_url":"https://cellar.example/a/abc","abv":0.36,"abv_sd":0.07,"gravity":1.0104,"gravity_sd":0.0005}`, string(s.body))
	require.Equal(t, "POST", s.method)
	require.Equal(t, "application/json", s.header.Get("Content-Type"))
	require.Equal(t, "Bearer t0k", s.header.Get("Authorization"))
	require.Equal(t, "pale-wheat-12/crash-now/1#2", s.header.Get("Ebbline-Delivery"))
	require.Equal(t, "sha256="+sign("Jefe", s.body), s.header.Get("Ebbline-Signature"))

	bare := note()
	bare.Alert.Body, bare.AckURL = nil, ""
	require.NoError(t, w.Send(t.Context(), bare))
	require.JSONEq(t, `{"id":"pale-wheat-12/crash-now/1","batch":"pale-wheat-12","kind":"crash-now","severity":"urgent","title":"Start the crash now: Weizen für Jörg",
		"message":"Start the crash now, or keg.","time":"2026-03-04T21:00:00Z","crash_by":null,"ack_url":null,"abv":null,"abv_sd":null,"gravity":null,"gravity_sd":null}`, string(s.body))
}

// The test cases 1 to 4, 6 and 7 of RFC 4231 §4 (from memory; case 5 is truncated,
// which ours is not).
func TestSignatureIsHMACSHA256(t *testing.T) {
	rep := func(b byte, n int) string { return strings.Repeat(string([]byte{b}), n) }
	counting := make([]byte, 25)
	for i := range counting {
		counting[i] = byte(i + 1)
	}
	for _, c := range []struct{ key, data, want string }{
		{rep(0x0b, 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{rep(0xaa, 20), rep(0xdd, 50), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{string(counting), rep(0xcd, 50), "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		{rep(0xaa, 131), "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		{
			rep(0xaa, 131), "This is a test using a larger than block-size key and a larger than block-size data. The key needs to be hashed before being used by the HMAC algorithm.",
			"9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
		},
	} {
		require.Equal(t, c.want, sign(c.key, []byte(c.data)), c.data)
	}
}

func TestNtfyMessage(t *testing.T) {
	s := serve(t, nil)
	c, err := NewNtfy(NtfyConfig{Name: "phone", URL: s.URL + "/" + secret, Token: "t0k"})
	require.NoError(t, err)
	require.NoError(t, c.Send(t.Context(), note()))
	title, err := new(mime.WordDecoder).DecodeHeader(s.header.Get("Title"))
	require.NoError(t, err)
	require.Equal(t, "Start the crash now: Weizen für Jörg", title)
	require.Equal(t, "/"+secret, s.path)
	require.Equal(t, "Start the crash now, or keg.", string(s.body))
	require.Equal(t, []string{"5", "rotating_light", "Bearer t0k", "https://cellar.example/a/abc"},
		[]string{s.header.Get("Priority"), s.header.Get("Tags"), s.header.Get("Authorization"), s.header.Get("Click")})
	require.JSONEq(t, `[{"action":"view","label":"Answer","url":"https://cellar.example/a/abc","clear":true}]`, s.header.Get("Actions"))

	mild := note()
	mild.Alert.Severity, mild.AckURL, mild.Alert.Message = "info", "", strings.Repeat("°", 5000)
	require.NoError(t, c.Send(t.Context(), mild))
	require.Equal(t, "3", s.header.Get("Priority"))
	require.Empty(t, s.header.Get("Actions"))
	require.LessOrEqual(t, len(s.body), ntfyLimit)
	require.True(t, strings.HasSuffix(string(s.body), "°…"))
}

// closedPort is an address on loopback that refuses, and that nobody else is given.
func closedPort(t *testing.T) string { return "http://" + porttest.Address(t) }

// Whatever the other side does, the fault is told apart and no secret is told.
func TestBadEndpoints(t *testing.T) {
	status := func(code int, header ...string) func(*testing.T) string {
		return func(t *testing.T) string {
			return serve(t, func(w http.ResponseWriter, _ *http.Request) {
				for i := 0; i < len(header); i += 2 {
					w.Header().Set(header[i], header[i+1])
				}
				w.WriteHeader(code)
				_, _ = w.Write([]byte("<html>\x00 garbage"))
			}).URL
		}
	}
	cases := map[string]struct {
		url   func(*testing.T) string
		fault Fault
		after time.Duration
		says  string
		fine  bool
		limit time.Duration // 0: ample
	}{
		"garbage 200":   {url: status(200), fine: true},
		"204":           {url: status(204), fine: true},
		"500":           {url: status(500), fault: Temporary, says: "answered 500"},
		"503":           {url: status(503, "Retry-After", "90"), fault: Temporary, after: 90 * time.Second, says: "answered 503"},
		"429":           {url: status(429, "Retry-After", "7"), fault: Temporary, after: 7 * time.Second, says: "answered 429"},
		"408":           {url: status(408), fault: Temporary, says: "answered 408"},
		"401":           {url: status(401), fault: Curable, says: "check the token"},
		"404":           {url: status(404), fault: Curable, says: "check the address"},
		"302":           {url: status(302, "Location", "/"+secret), fault: Curable, says: "redirects are not followed"},
		"400":           {url: status(400), fault: Curable, says: "answered 400"},
		"413":           {url: status(413), fault: Curable, says: "does not take what it is sent"},
		"refuses":       {url: closedPort, fault: Temporary, says: "connection refused"},
		"no such name":  {url: func(*testing.T) string { return "http://phone.invalid" }, fault: Temporary, says: "DNS"},
		"unknown cert":  {url: func(t *testing.T) string { s := httptest.NewTLSServer(nil); t.Cleanup(s.Close); return s.URL }, fault: Curable, says: "unknown authority"},
		"hangs":         {url: hangs, fault: Temporary, says: "no answer in time", limit: 300 * time.Millisecond},
		"hangs midway":  {url: hangsMidway, fine: true},
		"hangs up":      {url: hangsUp, fault: Temporary, says: "not sent"},
		"speaks not it": {url: speaksOther, fault: Temporary, says: "not sent"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			for _, ch := range both(t, c.url(t)+"/"+secret+"?auth="+secret, cmp.Or(c.limit, time.Minute)) {
				err := ch.Send(t.Context(), note())
				if c.fine {
					require.NoError(t, err)
					continue
				}
				var e *Error
				require.ErrorAs(t, err, &e)
				require.Equal(t, c.fault, e.Fault, e.text)
				require.Equal(t, c.after, e.RetryAfter)
				require.ErrorContains(t, err, c.says)
				require.NotContains(t, err.Error(), secret)
			}
		})
	}
}

// both are a webhook and a topic at one address.
func both(t *testing.T, url string, limit time.Duration) []Channel {
	w, err := NewWebhook(WebhookConfig{Name: "hook", URL: url, Token: secret, Secret: secret, Timeout: limit})
	require.NoError(t, err)
	n, err := NewNtfy(NtfyConfig{Name: "phone", URL: url, Token: secret, Timeout: limit})
	require.NoError(t, err)
	return []Channel{w, n}
}

// raw is a server below HTTP.
func raw(t *testing.T, speak func(net.Conn)) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go speak(c)
		}
	}()
	return "http://" + l.Addr().String()
}

func hangs(t *testing.T) string {
	return raw(t, func(c net.Conn) { _, _ = io.Copy(io.Discard, c) })
}

func hangsMidway(t *testing.T) string {
	return raw(t, func(c net.Conn) {
		if _, err := http.ReadRequest(bufio.NewReader(c)); err != nil {
			return
		}
		_, _ = c.Write([]byte("HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\nsome"))
		_, _ = io.Copy(io.Discard, c)
	})
}

func hangsUp(t *testing.T) string { return raw(t, func(c net.Conn) { _ = c.Close() }) }

func speaksOther(t *testing.T) string {
	return raw(t, func(c net.Conn) {
		if _, err := http.ReadRequest(bufio.NewReader(c)); err == nil {
			_, _ = c.Write([]byte("220 mail.example ESMTP\r\n"))
		}
		_ = c.Close()
	})
}

func TestAddressesThatAreNoneAreRefusedWithoutBeingTold(t *testing.T) {
	for _, url := range []string{"", "ftp://x/" + secret, "https:///" + secret, "://" + secret, secret} {
		_, err := NewWebhook(WebhookConfig{Name: "hook", URL: url})
		require.ErrorContains(t, err, "hook: the address")
		require.NotContains(t, err.Error(), secret)
		_, err = NewNtfy(NtfyConfig{Name: "phone", URL: url})
		require.ErrorContains(t, err, "phone: the address")
		require.NotContains(t, err.Error(), secret)
	}
}

func TestASendEndsWithItsContext(t *testing.T) {
	w, err := NewWebhook(WebhookConfig{Name: "hook", URL: hangs(t)})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.Error(t, w.Send(ctx, note()))
}

// Title, words and figures of a repeat are of one moment: all of them, or none.
func TestARepeatSaysWhatHoldsNow(t *testing.T) {
	s := serve(t, nil)
	w, err := NewWebhook(WebhookConfig{Name: "hook", URL: s.URL})
	require.NoError(t, err)
	by, abv, sd := base.Add(-time.Hour), 0.49, 0.05
	n, err := note().renewed(Present{Title: "Crash at once: Weizen für Jörg", Message: "It is late.", CrashBy: &by, ABV: &abv, ABVSD: &sd})
	require.NoError(t, err)
	require.NoError(t, w.Send(t.Context(), n.unanswered()))
	require.JSONEq(t, `{"id":"pale-wheat-12/crash-now/1","batch":"pale wheat 12","kind":"crash-now","severity":"urgent","title":"Unanswered: Crash at once: Weizen für Jörg","message":"It is late.",
		"time":"2026-03-04T21:00:00Z","crash_by":"2026-03-04T20:00:00Z","ack_url":"https://cellar.example/a/abc","abv":0.49,"abv_sd":0.05,"gravity":null,"gravity_sd":null}`, string(s.body))

	bad := note()
	bad.Alert.Body = []byte("{")
	_, err = bad.renewed(Present{Message: "It is late."})
	require.ErrorContains(t, err, "cannot be read")
}

func TestTryReachesTheChannel(t *testing.T) {
	s := serve(t, nil)
	for _, c := range both(t, s.URL, time.Second) {
		require.NoError(t, Try(t.Context(), c, base))
		require.Contains(t, string(s.body), "only a test")
	}
}
