package deliver

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// stepped is an outbox on a clock that a test sets: each look is the test's, and
// ends when all that it gave out is settled.
type stepped struct {
	*Outbox
	clock *wall
}

func step(t *testing.T, s Store, clock *wall, rungs ...Channel) *stepped {
	t.Helper()
	b := NewOutbox(s, ladder(rungs), Options{Now: clock.Now})
	ctx, cancel := context.WithCancel(t.Context())
	var workers sync.WaitGroup
	for _, w := range b.order {
		workers.Go(func() { w.run(ctx, ctx) })
	}
	t.Cleanup(func() { cancel(); workers.Wait() })
	return &stepped{b, clock}
}

// forward lets seconds pass until done holds, at most for so long; it gives how
// long it took.
func (s *stepped) forward(t *testing.T, most time.Duration, done func() bool) time.Duration {
	t.Helper()
	start := s.clock.Now()
	for {
		s.look(t.Context())
		require.Eventually(t, func() bool {
			s.mu.Lock()
			defer s.mu.Unlock()
			return len(s.inHand) == 0
		}, time.Minute, time.Millisecond)
		if took := s.clock.Now().Sub(start); done() || took >= most {
			return took
		}
		s.clock.set(s.clock.Now().Add(time.Second))
	}
}

// place is an endpoint that behaves badly until it is mended.
type place struct {
	url string
	// through is how the channel gets there, nil as usual.
	through *http.Transport
	vouched *x509.CertPool
	mend    func()
	took    *atomic.Int64
}

// answering serves bad answers, then good ones.
func answering(t *testing.T, bad http.HandlerFunc) place {
	var well atomic.Bool
	p := place{took: &atomic.Int64{}, mend: func() { well.Store(true) }}
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if well.Load() || bad == nil {
			p.took.Add(1)
			return
		}
		bad(w, r)
	})
	p.url = s.URL
	return p
}

// away is a port where nothing listens until it is mended.
func away(t *testing.T) place {
	p := place{url: closedPort(t), took: &atomic.Int64{}}
	p.mend = func() {
		l, err := net.Listen("tcp", strings.TrimPrefix(p.url, "http://"))
		require.NoError(t, err)
		s := &httptest.Server{Listener: l, Config: &http.Server{Handler: http.HandlerFunc(func(http.ResponseWriter, *http.Request) { p.took.Add(1) })}}
		s.Start()
		t.Cleanup(s.Close)
	}
	return p
}

// expiring is a server whose certificate has expired until it is mended.
func expiring(t *testing.T) place {
	a := newAuthority(t)
	old, good := a.issue(t, time.Now().Add(-time.Hour)), a.issue(t, time.Now().Add(time.Hour))
	var well atomic.Bool
	p := place{took: &atomic.Int64{}, mend: func() { well.Store(true) }}
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { p.took.Add(1) }))
	s.TLS = &tls.Config{GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
		cert := old
		if well.Load() {
			cert = good
		}
		return &tls.Config{Certificates: []tls.Certificate{cert}}, nil
	}}
	s.Config.ErrorLog = log.New(t.Output(), "", 0)
	s.StartTLS()
	t.Cleanup(s.Close)
	p.url = s.URL
	p.vouched = a.pool
	return p
}

// nameless is a server whose name its name server does not know until it is
// mended: the name server is real, and ours.
func nameless(t *testing.T) place {
	var well atomic.Bool
	p := place{took: &atomic.Int64{}, mend: func() { well.Store(true) }}
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { p.took.Add(1) }))
	t.Cleanup(s.Close)
	_, port, err := net.SplitHostPort(strings.TrimPrefix(s.URL, "http://"))
	require.NoError(t, err)
	names, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = names.Close() })
	go func() {
		buf := make([]byte, 512)
		for {
			n, from, err := names.ReadFrom(buf)
			if err != nil {
				return
			}
			_, _ = names.WriteTo(nameAnswer(buf[:n], well.Load()), from)
		}
	}()
	resolver := &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "udp", names.LocalAddr().String())
	}}
	p.url = "http://phone.cellar.example.:" + port
	p.through = &http.Transport{DialContext: (&net.Dialer{Resolver: resolver}).DialContext, DisableKeepAlives: true}
	return p
}

// nameAnswer answers a question (RFC 1035 §4.1): 127.0.0.1, or no such name.
func nameAnswer(question []byte, known bool) []byte {
	end := 12
	for question[end] != 0 {
		end += int(question[end]) + 1
	}
	end += 5 // the root, type and class
	a := append([]byte(nil), question[:end]...)
	a[2], a[3] = 0x84, 0x03                                 // an answer of authority: no such name
	a[6], a[7], a[8], a[9], a[10], a[11] = 0, 0, 0, 0, 0, 0 // nothing besides
	if !known {
		return a
	}
	a[3] = 0
	if question[end-3] != 1 { // not an A record: the name has none
		return a
	}
	a[7] = 1
	return append(a, 0xc0, 12, 0, 1, 0, 1, 0, 0, 0, 0, 0, 4, 127, 0, 0, 1)
}

// Whatever befalls the endpoint, the letter carries the alert meanwhile, and the
// phone has it within a minute of being well again, the time of a hanging
// attempt counted.
func TestEveryOutageIsBridgedAndEndsWithinAMinute(t *testing.T) {
	code := func(n int, header ...string) func(*testing.T) place {
		return func(t *testing.T) place {
			return answering(t, func(w http.ResponseWriter, _ *http.Request) {
				for i := 0; i < len(header); i += 2 {
					w.Header().Set(header[i], header[i+1])
				}
				w.WriteHeader(n)
			})
		}
	}
	cases := map[string]struct {
		open func(*testing.T) place
		says string
	}{
		"refuses": {open: away, says: "connection refused"},
		"hangs": {open: func(t *testing.T) place {
			return answering(t, func(_ http.ResponseWriter, r *http.Request) {
				select {
				case <-r.Context().Done():
				case <-time.After(time.Minute):
				}
			})
		}, says: "no answer in time"},
		"503, come back later": {open: code(503, "Retry-After", "30"), says: "answered 503"},
		"429, come back later": {open: code(429, "Retry-After", "30"), says: "answered 429"},
		"400":                  {open: code(400), says: "answered 400"},
		"401":                  {open: code(401), says: "answered 401"},
		"404":                  {open: code(404), says: "answered 404"},
		"410":                  {open: code(410), says: "answered 410"},
		"422":                  {open: code(422), says: "answered 422"},
		"expired certificate":  {open: expiring, says: "has expired"},
		"name is gone":         {open: nameless, says: "DNS"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := c.open(t)
			w, err := NewWebhook(WebhookConfig{Name: "phone", URL: p.url, Authorities: p.vouched})
			require.NoError(t, err)
			if name == "hangs" {
				w.post.timeout = 50 * time.Millisecond // real time; it is counted below
			}
			if p.through != nil {
				w.post.client.Transport = p.through
			}
			letters := answering(t, nil)
			letter, err := NewWebhook(WebhookConfig{Name: "letter", URL: letters.url})
			require.NoError(t, err)
			clock := &wall{}
			clock.set(base)
			a := ring("crash-now", urgent, base)
			m := newMemory(a)
			require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone", "letter"}, base)))
			s := step(t, m, clock, w, Rung{Channel: letter, Second: true, After: quarter})

			meanwhile := s.forward(t, time.Hour, func() bool { return letters.took.Load() > 0 })
			require.Less(t, meanwhile+defaultTimeout, time.Minute, "the letter carries it meanwhile")
			s.forward(t, 4*time.Minute, func() bool { return false })
			require.Zero(t, p.took.Load())
			require.Contains(t, s.Status()[0].LastError, c.says)
			p.mend()
			w.post.timeout = defaultTimeout
			took := s.forward(t, time.Hour, func() bool { return p.took.Load() > 0 })
			require.Less(t, took+defaultTimeout, time.Minute)
			s.forward(t, time.Minute, func() bool { return false })
			require.EqualValues(t, 1, p.took.Load(), "once")
			require.True(t, s.Status()[0].FailingSince.IsZero())
		})
	}
}

// A service that answers 500 twenty times and then takes it, and one whose answer
// is garbage, which is taken all the same.
func TestTwentyTimes500AndGarbage(t *testing.T) {
	var asked atomic.Int64
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		if asked.Add(1) <= 20 {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		_, _ = w.Write([]byte("\x00\xff<html>]]}"))
	})
	w, err := NewWebhook(WebhookConfig{Name: "phone", URL: s.URL})
	require.NoError(t, err)
	clock := &wall{}
	clock.set(base)
	a := ring("crash-soon", "warning", base)
	m := newMemory(a)
	require.NoError(t, m.Queue(t.Context(), Plan(a, []string{"phone"}, base)))
	box := step(t, m, clock, w)
	took := box.forward(t, time.Hour, func() bool { return m.all()[0].Done != nil })
	require.EqualValues(t, 21, asked.Load())
	require.Less(t, took, 12*time.Minute)
	box.forward(t, time.Hour, func() bool { return false })
	require.EqualValues(t, 21, asked.Load(), "taken once")
	require.Equal(t, accepted, m.all()[0].Outcome)
}
