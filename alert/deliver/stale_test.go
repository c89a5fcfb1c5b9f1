package deliver

import (
	"crypto/tls"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// homeRouter passes connections on to a server. A restart of it forgets those that are
// open: what comes on them is swallowed, and nobody is told.
type homeRouter struct {
	net.Listener
	mu   sync.Mutex
	lost []*atomic.Bool // of each connection that was open
}

func newHomeRouter(t *testing.T, to string) *homeRouter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r := &homeRouter{Listener: l}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				_ = in.Close()
				continue
			}
			t.Cleanup(func() { _, _ = in.Close(), out.Close() })
			lost := &atomic.Bool{}
			r.mu.Lock()
			r.lost = append(r.lost, lost)
			r.mu.Unlock()
			go carry(in, out, lost)
			go carry(out, in, lost)
		}
	}()
	return r
}

// carry passes on until the connection is forgotten.
func carry(to io.WriteCloser, from io.Reader, lost *atomic.Bool) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			if !lost.Load() {
				_ = to.Close()
			}
			return
		}
		if lost.Load() {
			continue
		}
		_, _ = to.Write(buf[:n])
	}
}

// restart forgets what is open.
func (r *homeRouter) restart() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range r.lost {
		l.Store(true)
	}
}

// The router at home restarts after a message was taken: the connection is gone, and
// neither end is told. The next message goes by another, over HTTP/2 too, where every
// attempt would go into the old one until the kernel gives it up.
func TestAConnectionThatIsGoneHoldsNothingBack(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	for name, c := range map[string]struct {
		secure bool
		open   func(address string) (Channel, error)
	}{
		"webhook, HTTP/2": {true, func(address string) (Channel, error) {
			return NewWebhook(WebhookConfig{Name: "phone", URL: "https://" + address, Authorities: a.pool})
		}},
		"ntfy, HTTP/2": {true, func(address string) (Channel, error) {
			return NewNtfy(NtfyConfig{Name: "phone", URL: "https://" + address + "/topic", Authorities: a.pool})
		}},
		"webhook": {false, func(address string) (Channel, error) {
			return NewWebhook(WebhookConfig{Name: "phone", URL: "http://" + address})
		}},
		"shoutrrr": {false, func(address string) (Channel, error) {
			return NewShoutrrr(ShoutrrrConfig{Name: "phone", URL: "generic+http://" + address + "/"})
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var took, second atomic.Int64
			s := httptest.NewUnstartedServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
				took.Add(1)
				if r.ProtoMajor == 2 {
					second.Add(1)
				}
			}))
			s.Config.ErrorLog = log.New(t.Output(), "", 0)
			if s.EnableHTTP2 = c.secure; c.secure {
				s.TLS = &tls.Config{Certificates: []tls.Certificate{a.issue(t, time.Now().Add(time.Hour))}}
				s.StartTLS()
			} else {
				s.Start()
			}
			t.Cleanup(s.Close)
			r := newHomeRouter(t, s.Listener.Addr().String())
			phone, err := c.open(r.Addr().String())
			require.NoError(t, err)
			n := Note{Alert: ring("crash-now", urgent, base), N: 1}
			require.NoError(t, phone.Send(t.Context(), n))
			r.restart()
			require.NoError(t, phone.Send(t.Context(), n))
			require.EqualValues(t, 2, took.Load())
			require.Equal(t, c.secure, second.Load() == 2)
		})
	}
}
