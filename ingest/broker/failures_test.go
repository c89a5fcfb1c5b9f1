package broker

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/pprof"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"ebbline/deploy/porttest"
	"ebbline/ingest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// quick is a configuration that notices a dead line within two seconds.
func quick(addr string, rec *recorder) SubscriberConfig {
	return SubscriberConfig{
		URLs: []string{"tcp://" + addr}, ClientID: "ebbline-7f3a", Filters: []string{"cellar/#"},
		KeepAlive: time.Second, PingTimeout: 500 * time.Millisecond,
		ConnectTimeout: time.Second, MaxReconnectInterval: time.Second, Refused: rec.refused,
	}
}

func startSubscriber(t *testing.T, cfg SubscriberConfig, rec *recorder) *Subscriber {
	t.Helper()
	cfg.Logger = logger(t)
	s, err := NewSubscriber(cfg, rec.handle)
	require.NoError(t, err)
	pprof.Do(t.Context(), pprof.Labels(subscriberOf, t.Name()), func(ctx context.Context) { require.NoError(t, s.Start(ctx)) })
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// subscriberOf labels the goroutines of a test's subscriber, and all they start:
// those of the test's own devices, and of other tests, are not ours to count.
const subscriberOf = "subscriber of"

func goroutines(t *testing.T) int {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, pprof.Lookup("goroutine").WriteTo(&out, 1))
	n := 0
	for stack := range strings.SplitSeq(out.String(), "\n\n") {
		if !strings.Contains(stack, strconv.Quote(subscriberOf)+":"+strconv.Quote(t.Name())) {
			continue
		}
		count, _, _ := strings.Cut(stack, " @")
		k, err := strconv.Atoi(count[strings.LastIndexByte(count, '\n')+1:])
		require.NoError(t, err)
		n += k
	}
	return n
}

func waitGoroutines(t *testing.T, most int) {
	t.Helper()
	require.Positive(t, most, "of the subscriber")
	require.Eventually(t, func() bool { return goroutines(t) <= most }, patience, tick, "goroutines of the subscriber before: %d", most)
}

func waitReady(t *testing.T, s Source) {
	t.Helper()
	require.Eventually(t, func() bool { return ready(s) }, patience, tick)
}

func waitProblem(t *testing.T, s Source, text string) {
	t.Helper()
	require.Eventually(t, func() bool { return strings.Contains(s.Status().Problem, text) }, patience, tick, "problem should say %q; it says %q", text, s.Status().Problem)
}

// numbered publishes n messages with their numbers, QoS 1, until each is acknowledged.
func numbered(t *testing.T, addr string, from, to int) {
	t.Helper()
	var lines []string
	for i := from; i < to; i++ {
		lines = append(lines, fmt.Sprint(i))
	}
	d := device(t, addr, fmt.Sprint("float-", from))
	for _, l := range lines {
		send(t, d, "cellar/float-1", 1, false, l)
	}
	d.Disconnect(100)
}

func waitNumbers(t *testing.T, rec *recorder, n int) {
	t.Helper()
	require.Eventually(t, func() bool { return len(payloads(rec.all())) == n }, patience, tick, "%d different messages", n)
}

// A broker that is absent at the start is no error: it is found when it comes.
func TestBrokerAbsentAtStart(t *testing.T) {
	m := startMosquitto(t)
	m.stop()
	rec := &recorder{}
	s := startSubscriber(t, quick(m.addr(), rec), rec)
	waitProblem(t, s, "cannot reach the broker")
	assert.False(t, s.Status().Connected)
	assert.Contains(t, s.Status().Problem, "trying again every")
	m.start()
	waitReady(t, s)
	numbered(t, m.addr(), 0, 5)
	waitNumbers(t, rec, 5)
	assert.Empty(t, s.Status().Problem)
}

// Every message that the broker acknowledged arrives through ten restarts of it.
func TestBrokerRestartedTenTimes(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	s := startSubscriber(t, quick(m.addr(), rec), rec)
	waitReady(t, s)
	for i := range 10 {
		numbered(t, m.addr(), 10*i, 10*i+10)
		m.stop()
		require.Eventually(t, func() bool { return !s.Status().Connected }, patience, tick)
		m.start()
	}
	waitReady(t, s)
	numbered(t, m.addr(), 100, 110)
	waitNumbers(t, rec, 110)
	assert.Zero(t, s.Status().SessionsLost)
}

// A line that swallows everything is noticed by keep-alive and ping time-out,
// said, and left behind after the repair.
func TestBlackHole(t *testing.T) {
	m := startMosquitto(t)
	p := startProxy(t, m.addr())
	rec := &recorder{}
	cfg := quick(p.addr(), rec)
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	p.swallow()
	began := time.Now()
	numbered(t, m.addr(), 0, 50)
	require.Eventually(t, func() bool { return !s.Status().Connected }, patience, tick)
	t.Logf("noticed after %v (keep-alive %v, ping time-out %v)", time.Since(began), cfg.KeepAlive, cfg.PingTimeout)
	waitProblem(t, s, "cannot reach the broker")
	assert.Empty(t, rec.all())
	p.repair()
	began = time.Now()
	waitNumbers(t, rec, 50)
	t.Logf("complete %v after the repair", time.Since(began))
	waitReady(t, s)
	assert.Empty(t, s.Status().Problem)
}

// An idle line is kept alive by pings, and LastPacket shows that they are answered.
func TestKeepAliveIsHeard(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.PingTimeout = patience
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	last := s.Status().LastPacket
	require.Eventually(t, func() bool { return s.Status().LastPacket.After(last) }, patience, tick)
	assert.EqualValues(t, 1, s.Status().Connections)
}

// Publishing state into a dead connection is an error, soon after it is noticed.
func TestPublishIntoABlackHole(t *testing.T) {
	m := startMosquitto(t)
	p := startProxy(t, m.addr())
	rec := &recorder{}
	s := startSubscriber(t, quick(p.addr(), rec), rec)
	waitReady(t, s)
	p.swallow()
	require.Error(t, s.Publish(t.Context(), Outgoing{Topic: "ebbline/state", Payload: []byte("x"), QoS: 1, Retain: true}))
	require.Eventually(t, func() bool { return !s.Status().Connected }, patience, tick)
	require.ErrorContains(t, s.Publish(t.Context(), Outgoing{Topic: "ebbline/state", Payload: []byte("x"), QoS: 1, Retain: true}), "no connection")
	p.repair()
	waitReady(t, s)
	require.NoError(t, s.Publish(t.Context(), Outgoing{Topic: "ebbline/state", Payload: []byte("y"), QoS: 1, Retain: true}))
	assert.Equal(t, "y", sub(t, m.addr(), "-t", "ebbline/state"))
}

// Connections cut in a stream lose nothing, and leave nothing running. 20 cuts
// unless $EBBLINE_CUTS says more.
func TestConnectionCutInAStream(t *testing.T) {
	t.Parallel()
	cuts, err := strconv.Atoi(cmp.Or(os.Getenv("EBBLINE_CUTS"), "20"))
	require.NoError(t, err)
	m := startMosquitto(t)
	p := startProxy(t, m.addr())
	rec := &recorder{}
	s := startSubscriber(t, quick(p.addr(), rec), rec)
	waitReady(t, s)
	before := goroutines(t)
	for i := range cuts {
		numbered(t, m.addr(), 50*i, 50*i+50)
		before := s.Status().Connections
		p.cut()
		require.Eventually(t, func() bool { return s.Status().Connections > before }, patience, tick)
	}
	waitNumbers(t, rec, 50*cuts)
	waitReady(t, s)
	waitGoroutines(t, before)
}

// Somebody takes our client id in a stream: we are thrown out, come back, and get
// what the other was given and did not acknowledge.
func TestClientIDStolenInAStream(t *testing.T) {
	t.Parallel()
	m := startMosquitto(t)
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	before := goroutines(t)
	for i := range 2 {
		numbered(t, m.addr(), 100*i, 100*i+50)
		thief := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + m.addr()).SetClientID(cfg.ClientID).
			SetCleanSession(false).SetAutoReconnect(false).SetAutoAckDisabled(true))
		require.True(t, thief.Connect().WaitTimeout(patience))
		numbered(t, m.addr(), 100*i+50, 100*i+100)
		thief.Disconnect(0)
	}
	waitNumbers(t, rec, 200)
	waitReady(t, s)
	require.Zero(t, s.Status().SessionsLost)
	waitGoroutines(t, before)
}

// The broker keeps for us what is published while we are away.
func TestSessionOutlivesOurRestart(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	s := startSubscriber(t, quick(m.addr(), rec), rec)
	waitReady(t, s)
	require.NoError(t, s.Close())
	numbered(t, m.addr(), 0, 2000) // twice what mosquitto keeps by default
	s = startSubscriber(t, quick(m.addr(), rec), rec)
	waitNumbers(t, rec, 2000)
	assert.Zero(t, s.Status().SessionsLost)
}

// A broker that has forgotten our session says so; we say that messages may be
// missing, and from when to when.
func TestBrokerForgetsTheSession(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	s := startSubscriber(t, quick(m.addr(), rec), rec)
	waitReady(t, s)
	m.stop()
	m.forget()
	m.start()
	require.Eventually(t, func() bool { return s.Status().SessionsLost == 1 }, patience, tick)
	waitReady(t, s)
	gap := s.Status().LastGap
	assert.False(t, gap.From.IsZero())
	assert.True(t, gap.To.After(gap.From))
	numbered(t, m.addr(), 0, 5)
	waitNumbers(t, rec, 5)
}

// Two daemons with one client id throw each other out for ever: said by name.
func TestClientIDUsedTwice(t *testing.T) {
	m := startMosquitto(t)
	a, b := &recorder{}, &recorder{}
	s := startSubscriber(t, quick(m.addr(), a), a)
	startSubscriber(t, quick(m.addr(), b), b)
	waitProblem(t, s, `client id "ebbline-7f3a"`)
}

// While nothing can be stored, nothing is acknowledged, the broker keeps it, and
// everything arrives when the disk is well again.
func TestDiskFullForAWhile(t *testing.T) {
	m := startMosquitto(t)
	well := newGate()
	rec := &recorder{decide: func(context.Context, ingest.Message, int) error {
		select {
		case <-well.ch:
			return nil
		default:
			return errors.New("no space left on device")
		}
	}}
	s := startSubscriber(t, quick(m.addr(), rec), rec)
	waitReady(t, s)
	numbered(t, m.addr(), 0, 200)
	require.Eventually(t, func() bool { return s.Status().Connections > 3 }, patience, tick, "connected anew to get it again")
	st := s.Status()
	assert.Contains(t, st.Problem, "no space left on device")
	assert.Zero(t, st.Acknowledged)
	well.open()
	waitNumbers(t, rec, 200)
	require.Eventually(t, func() bool { return s.Status().Problem == "" }, patience, tick)
}

// Subscriptions change while it runs.
func TestSetFilters(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.Filters = nil
	s := startSubscriber(t, cfg, rec)
	waitProblem(t, s, "no sensor is configured")
	require.ErrorContains(t, s.SetFilters([]string{"cellar/#", "a/#/b"}), "# stands alone")
	assert.Empty(t, s.Status().Filters)

	require.NoError(t, s.SetFilters([]string{"cellar/float-1", "cellar/float-1", "loft/+"}))
	waitReady(t, s)
	require.Len(t, s.Status().Filters, 2)
	d := device(t, m.addr(), "d")
	send(t, d, "cellar/float-1", 1, false, "1")
	send(t, d, "loft/float-2", 1, false, "2")
	waitNumbers(t, rec, 2)

	require.NoError(t, s.SetFilters([]string{"loft/+"}))
	require.Eventually(t, func() bool { return !s.pending() }, patience, tick)
	send(t, d, "cellar/float-1", 1, false, "3")
	send(t, d, "loft/float-2", 1, false, "4")
	waitNumbers(t, rec, 3)
	assert.Zero(t, rec.times("cellar/float-1", "3"))
}

// pending says whether the broker has still to be told of filters given up.
func (s *Subscriber) pending() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.stale) > 0
}

// A filter given up while there is no connection is given up with the next one;
// the broker's session would else go on sending it.
func TestFilterGivenUpWhileAway(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.Filters = []string{"cellar/#", "loft/#"}
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	m.stop()
	require.Eventually(t, func() bool { return !s.Status().Connected }, patience, tick)
	require.NoError(t, s.SetFilters([]string{"loft/#"}))
	m.start()
	require.Eventually(t, func() bool { return ready(s) && !s.pending() }, patience, tick)
	d := device(t, m.addr(), "d")
	send(t, d, "cellar/float-1", 1, false, "1")
	send(t, d, "loft/float-2", 1, false, "2")
	waitNumbers(t, rec, 1)
	assert.Zero(t, rec.times("cellar/float-1", "1"))
}

// Websockets are a transport like the others.
func TestWebsocket(t *testing.T) {
	port := porttest.Free(t)
	m := startMosquitto(t, fmt.Sprintf("listener %d 127.0.0.1", port), "protocol websockets")
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.URLs = []string{fmt.Sprintf("ws://127.0.0.1:%d/mqtt", port)}
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	numbered(t, m.addr(), 0, 20)
	waitNumbers(t, rec, 20)
}

// A second address is tried when the first does not answer.
func TestSecondAddress(t *testing.T) {
	m := startMosquitto(t)
	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.URLs = []string{fmt.Sprintf("tcp://127.0.0.1:%d", porttest.Free(t)), "tcp://" + m.addr()}
	waitReady(t, startSubscriber(t, cfg, rec))
}

// Close returns while the broker cannot be reached, and while it swallows everything.
func TestCloseWithoutABroker(t *testing.T) {
	m := startMosquitto(t)
	p := startProxy(t, m.addr())
	rec := &recorder{}
	p.swallow()
	s := startSubscriber(t, quick(p.addr(), rec), rec)
	require.NoError(t, s.Close())
	p.repair()
	s = startSubscriber(t, quick(p.addr(), rec), rec)
	waitReady(t, s)
	p.swallow()
	require.NoError(t, s.Close())
}
