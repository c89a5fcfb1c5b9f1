package main

import (
	"io"
	"net"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// metric is the value of an unlabelled metric as text, empty if absent.
func metric(p *process, name string) string {
	for _, l := range strings.Split(p.get("/metrics"), "\n") {
		if v, ok := strings.CutPrefix(l, name+" "); ok {
			return v
		}
	}
	return ""
}

// TestBrokerAbsentAtStartAndRestarted starts the daemon with no broker, then
// restarts the broker again and again: readings complete, health true all the while,
// back within 10 s.
func TestBrokerAbsentAtStartAndRestarted(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t)
	h := newResidence(t)
	h.url, h.extra = "tcp://"+m.addr, countingSensor
	p := h.serve(t)
	for absent := time.Now(); ; time.Sleep(time.Second) {
		require.Equal(t, 503, p.status("/readyz"), "there is no broker yet")
		require.Equal(t, 200, p.status("/healthz"), "that is no fault of the daemon")
		if time.Since(absent) >= time.Duration(often(t, "EBBLINE_BROKER_ABSENT_SECONDS", 1))*time.Second {
			break
		}
	}
	m.start()
	requireReadyWithin10s(t, p)
	d := startDevice(t, m.addr)
	for range often(t, "EBBLINE_BROKER_RESTARTS", 4) {
		time.Sleep(200 * time.Millisecond)
		m.stop()
		require.Eventually(t, func() bool { return p.status("/readyz") == 503 }, longEnough, 20*time.Millisecond, "health must say that the broker is gone")
		m.start()
		requireReadyWithin10s(t, p)
	}
	time.Sleep(500 * time.Millisecond)
	d.requireEachOnce(t, p, h.data)
}

func requireReadyWithin10s(t testing.TB, p *process) {
	t.Helper()
	// The promise is a figure that is told, so that a slow machine does not fail a healthy daemon.
	begin := time.Now()
	require.Eventually(t, func() bool { return p.status("/readyz") == 200 }, longEnough, 20*time.Millisecond, "not back after repair: %s", p.get("/readyz"))
	t.Logf("back after %v", time.Since(begin).Round(10*time.Millisecond))
}

// hole is a TCP proxy that can swallow everything without a word.
type hole struct {
	addr   string
	target string
	mu     sync.Mutex
	closed bool
	conns  []net.Conn
}

func newHole(t *testing.T, target string) *hole {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	h := &hole{addr: l.Addr().String(), target: target}
	t.Cleanup(func() { l.Close(); h.cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go h.serve(c)
		}
	}()
	return h
}

func (h *hole) serve(c net.Conn) {
	up, err := net.Dial("tcp", h.target)
	if err != nil {
		c.Close()
		return
	}
	h.mu.Lock()
	h.conns = append(h.conns, c, up)
	h.mu.Unlock()
	go h.pump(up, c)
	h.pump(c, up)
}

// pump copies, but drops what passes while the hole is black.
func (h *hole) pump(to, from net.Conn) {
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		if err != nil {
			to.Close()
			return
		}
		h.mu.Lock()
		black := h.closed
		h.mu.Unlock()
		if !black {
			if _, err := to.Write(buf[:n]); err != nil {
				from.Close()
				return
			}
		}
	}
}

func (h *hole) black(on bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = on
}

func (h *hole) cut() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, c := range h.conns {
		c.Close()
	}
	h.conns = nil
}

// TestBrokerBlackHoled lets packets vanish without a closed
// connection: health notices, and all readings are there afterwards.
func TestBrokerBlackHoled(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t)
	m.start()
	proxy := newHole(t, m.addr)
	h := newResidence(t)
	h.url, h.extra = "tcp://"+proxy.addr, countingSensor
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	d := startDevice(t, m.addr)
	time.Sleep(time.Second)
	proxy.black(true)
	begin := time.Now()
	require.Eventually(t, func() bool { return p.status("/readyz") == 503 }, longEnough, 50*time.Millisecond, "health must notice the silence")
	t.Logf("noticed after %v", time.Since(begin).Round(100*time.Millisecond))
	time.Sleep(time.Until(begin.Add(time.Duration(often(t, "EBBLINE_BLACK_HOLE_SECONDS", 20)) * time.Second)))
	proxy.black(false)
	requireReadyWithin10s(t, p)
	d.requireEachOnce(t, p, h.data)
}

// TestPrometheusAcceptsTheMetrics asks Prometheus's own promtool.
func TestPrometheusAcceptsTheMetrics(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t, timedBatch(t, captures+"/plain-00"))
	publish(t, p.mqtt, "cellar/float-1", timed(t, captureLines(t, captures+"/plain-00")[:40]))
	waitForBelief(t, p, captureLines(t, captures+"/plain-00")[38].Time)
	cmd := exec.Command("promtool", "check", "metrics")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	go func() {
		_, _ = io.WriteString(in, p.get("/metrics"))
		in.Close()
	}()
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "promtool says:\n%s", out)
}
