package broker

import (
	"cmp"
	"log/slog"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"ebbline/deploy/porttest"
)

// TestMain runs the tests, or, when this binary has been started again by the
// kill test, the small daemon to be killed.
func TestMain(m *testing.M) {
	if kind := os.Getenv(victimKind); kind != "" {
		os.Exit(victim(kind))
	}
	goleak.VerifyTestMain(m)
}

// rig is one Source with what stands around it.
type rig struct {
	t      *testing.T
	rec    *recorder
	source Source
	// addr is where devices publish.
	addr string
	// acks is the line on which the source's acknowledgements pass.
	acks *proxy
	// replays: the broker outlives the source and replays retained messages to it.
	replays bool
	// makeSource makes another source in the same session, on the same address.
	makeSource func() Source
}

// kinds are the two implementations that have to conform.
var kinds = []struct {
	name string
	rig  func(*testing.T, *recorder) *rig
}{
	{"subscriber", subscriberRig},
	{"embedded", embeddedRig},
}

func logger(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), nil))
}

func subscriberRig(t *testing.T, rec *recorder) *rig {
	t.Helper()
	m := startMosquitto(t)
	p := startProxy(t, m.addr())
	r := &rig{t: t, rec: rec, addr: m.addr(), acks: p, replays: true}
	r.makeSource = func() Source {
		s, err := NewSubscriber(SubscriberConfig{
			URLs: []string{"tcp://" + p.addr()}, ClientID: "ebbline-7f3a", Filters: []string{"#"},
			Refused: rec.refused, HandlerTimeout: cmp.Or(rec.limit, DefaultHandlerTimeout), Logger: logger(t),
		}, rec.handle)
		require.NoError(t, err)
		return s
	}
	r.start()
	return r
}

func embeddedRig(t *testing.T, rec *recorder) *rig {
	t.Helper()
	r := &rig{t: t, rec: rec}
	listen := porttest.Address(t) // the next source takes it again
	r.makeSource = func() Source {
		e, err := NewEmbedded(EmbeddedConfig{Listen: listen, Refused: rec.refused, HandlerTimeout: cmp.Or(rec.limit, DefaultHandlerTimeout), Logger: logger(t)}, rec.handle)
		require.NoError(t, err)
		return e
	}
	r.start()
	r.acks = startProxy(t, listen)
	r.addr = r.acks.addr()
	return r
}

func (r *rig) start() {
	r.t.Helper()
	s := r.makeSource()
	require.NoError(r.t, s.Start(r.t.Context()))
	r.t.Cleanup(func() { require.NoError(r.t, s.Close()) })
	r.source = s
	r.ready()
}

// ready waits until messages get through.
func (r *rig) ready() {
	r.t.Helper()
	require.Eventually(r.t, func() bool { return ready(r.source) }, patience, tick, "%+v", r.source.Status())
}

func ready(s Source) bool {
	st := s.Status()
	for _, f := range st.Filters {
		if !f.Granted {
			return false
		}
	}
	return st.Connected
}

func (r *rig) restart() {
	r.t.Helper()
	require.NoError(r.t, r.source.Close())
	r.start()
}
