package main

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
)

// outside counts the pings it takes; it answers with a status, or not at all.
type outside struct {
	*httptest.Server
	pings  atomic.Int64
	status atomic.Int64
	hang   atomic.Bool
}

func newOutside(t testing.TB) *outside {
	o := &outside{}
	o.status.Store(http.StatusOK)
	over := make(chan struct{})
	o.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if o.hang.Load() {
			select {
			case <-over:
			case <-r.Context().Done():
			}
			return
		}
		o.pings.Add(1)
		w.WriteHeader(int(o.status.Load()))
	}))
	t.Cleanup(func() { close(over); o.Close() })
	return o
}

// more waits for further pings.
func (o *outside) more(t testing.TB, why string) {
	t.Helper()
	before := o.pings.Load()
	require.Eventually(t, func() bool { return o.pings.Load() >= before+2 }, longEnough, 20*time.Millisecond, why)
}

// none wants no ping for a while, after those on their way.
func (o *outside) none(t testing.TB, why string) {
	t.Helper()
	standsStill(t, 4*time.Second, func() int { return int(o.pings.Load()) }, why)
}

// TestThePingStopsWithWhatItVouchesFor runs the real daemon: pings come while all
// is well, stop when the broker is gone, come back with it; a watcher outside
// that refuses or hangs is shown and holds nothing up.
func TestThePingStopsWithWhatItVouchesFor(t *testing.T) {
	t.Parallel()
	o := newOutside(t)
	h := newResidence(t)
	h.extra = countingSensor + "alive: {url: \"" + o.URL + "/a-long-secret\", every: 1s}\n"
	m := newMosquitto(t)
	m.start()
	h.url = "tcp://" + m.addr
	p := h.serve(t)
	o.more(t, "all is well")
	require.Contains(t, p.get("/api/v1/health"), "The outside watcher is told every 1s")

	m.stop()
	require.Eventually(t, func() bool {
		return strings.Contains(p.get("/api/v1/health"), "is not told that all is well: readings cannot arrive")
	}, longEnough, 50*time.Millisecond)
	o.none(t, "no reading can arrive")
	m.start()
	o.more(t, "the broker is back")

	o.status.Store(http.StatusInternalServerError)
	require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/health"), "it answers 500") }, longEnough, 50*time.Millisecond)
	o.status.Store(http.StatusOK)
	o.hang.Store(true)
	d := startDevice(t, m.addr)
	d.atLeast(400) // two seconds of them: a watcher that hangs holds no reading up
	d.finish()
	o.hang.Store(false)
	o.more(t, "the watcher answers again")
	p.term()
	require.NotContains(t, p.stderr.String(), "a-long-secret", "the address may be a secret")
}

// Law: whichever of ingest, journal, watches and outbox is stuck, the daemon
// does not vouch for itself, and says which it is.
func TestEachStuckRoomStopsThePing(t *testing.T) {
	past := time.Now().Add(-time.Minute).UnixMicro()
	for want, breaks := range map[string]func(*daemon){
		"messages are not being stored":     func(d *daemon) { d.pulse.begin(); d.pulse.moved.Store(past) },
		"the record cannot be written":      func(d *daemon) { require.NoError(t, d.journal.Close()) },
		"the watches have not moved for":    func(d *daemon) { d.beat.Store(past) },
		"the watches have not begun":        func(d *daemon) { d.beat.Store(0) },
		"the outbox has not looked for 30s": func(d *daemon) { d.pulse.asked.Store(past) },
		"the embedded broker does not":      func(d *daemon) { require.NoError(t, d.source.Close()) },
	} {
		t.Run(want, func(t *testing.T) {
			d := stillDaemon(t)
			require.Empty(t, d.stuck(t.Context()))
			breaks(d)
			require.Contains(t, d.stuck(t.Context()), want)
		})
	}
}

// movingDaemon is a whole daemon in this process whose loops are all running.
func movingDaemon(t *testing.T) *daemon {
	cfg := &config.Config{Data: t.TempDir(), MQTT: config.MQTT{Listen: "127.0.0.1:0"}, Page: config.Page{Listen: "127.0.0.1:0"}}
	d, err := startDaemon(t.Context(), cfg, wallClock{}, true, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(func() { _ = d.Close() }) // what the test broke cannot be closed again
	require.Eventually(t, func() bool { return d.beat.Load() != 0 && d.pulse.asked.Load() != 0 }, longEnough, 5*time.Millisecond)
	return d
}

// stillDaemon is a daemon whose loops have run and stand still now, so that a
// test can say how long ago they moved.
func stillDaemon(t *testing.T) *daemon {
	d := movingDaemon(t)
	for _, s := range d.stops {
		if s.name == "watches" || s.name == "outbox" {
			require.NoError(t, s.do())
		}
	}
	return d
}
