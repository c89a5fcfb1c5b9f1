package broker

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/ingest"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func startEmbedded(t testing.TB, cfg EmbeddedConfig, rec *recorder) *Embedded {
	t.Helper()
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	cfg.Refused, cfg.Logger = rec.refused, logger(t)
	e, err := NewEmbedded(cfg, rec.handle)
	require.NoError(t, err)
	require.NoError(t, e.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	return e
}

func TestAddressInUse(t *testing.T) {
	e := startEmbedded(t, EmbeddedConfig{}, &recorder{})
	other, err := NewEmbedded(EmbeddedConfig{Listen: e.Addr()}, (&recorder{}).handle)
	require.NoError(t, err)
	require.ErrorContains(t, other.Start(t.Context()), "address already in use")
	require.NoError(t, other.Close())
}

// What we publish goes to the subscribers and never back into our own handler;
// what devices publish reaches ordinary subscribers too.
func TestFanOut(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	other := &recorder{}
	cfg := quick(e.Addr(), other)
	cfg.Filters = []string{"#"}
	waitReady(t, startSubscriber(t, cfg, other))
	require.NoError(t, e.Publish(t.Context(), Outgoing{Topic: "ebbline/state", Payload: []byte("42"), QoS: 1}))
	pub(t, e.Addr(), "-t", "cellar/float-1", "-m", "1.0132", "-q", "2")
	other.wait(t, 1, "ebbline/state")
	other.wait(t, 1, "cellar/float-1")
	assert.Len(t, rec.all(), 1)
}

// MQTT 5 clients get the same promise. Its client fails when it is
// disconnected without an acknowledgement.
func TestMQTT5(t *testing.T) {
	bad := errors.New("disk full")
	rec := &recorder{decide: func(_ context.Context, m ingest.Message, _ int) error {
		if string(m.Payload) == "never" {
			return bad
		}
		return nil
	}}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	for _, qos := range []string{"0", "1", "2"} {
		pub(t, e.Addr(), "-V", "5", "-t", "cellar/float-1", "-m", "1.0132", "-q", qos)
	}
	rec.wait(t, 3)
	_, port, err := net.SplitHostPort(e.Addr())
	require.NoError(t, err)
	out, err := exec.Command("mosquitto_pub", "-V", "5", "-p", port, "-t", "a", "-m", "never", "-q", "1", "-d").CombinedOutput()
	require.Error(t, err, "it must not believe that the message is safe")
	assert.Contains(t, string(out), "Received DISCONNECT (137)", "server busy (MQTT 5 §3.14.2.1)")
	assert.NotContains(t, string(out), "PUBACK")
	assert.Equal(t, 1, rec.times("a", "never"))
}

// With users, nobody comes in without a password, and each stays in his topics.
func TestUsersAndTheirTopics(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{Listen: "0.0.0.0:0", Users: []User{
		{Name: "float", Password: "gerste", Publish: []string{"cellar/float-1/#"}, Subscribe: []string{"cellar/float-1/#"}},
		{Name: "ebbline", Password: "hopfen"},
	}}, rec)
	_, port, err := net.SplitHostPort(e.Addr())
	require.NoError(t, err)
	addr := "127.0.0.1:" + port

	for _, login := range [][]string{nil, {"-u", "float"}, {"-u", "float", "-P", "hopfen"}, {"-u", "nobody", "-P", "gerste"}} {
		out, err := exec.Command("mosquitto_pub", append([]string{"-p", port, "-t", "cellar/float-1", "-m", "x", "-q", "1"}, login...)...).CombinedOutput()
		require.Error(t, err, "%v", login)
		assert.Contains(t, strings.ToLower(string(out)), "not authori", "%v", login)
	}
	pub(t, addr, "-u", "float", "-P", "gerste", "-t", "cellar/float-1/data", "-m", "1.0132", "-q", "1")
	rec.wait(t, 1)

	// A topic of somebody else: shown, not stored, not passed on.
	pub(t, addr, "-u", "float", "-P", "gerste", "-t", "cellar/float-2/data", "-m", "1.0000", "-q", "0")
	require.Eventually(t, func() bool { return len(rec.refusalList()) == 1 }, patience, tick)
	f := rec.refusalList()[0]
	assert.Equal(t, ReasonTopicNotAllowed, f.Reason)
	assert.Equal(t, "cellar/float-2/data", f.Topic)
	assert.Contains(t, f.Detail, `user "float"`)
	assert.Len(t, rec.all(), 1)

	// The subscriber says which right is missing (SUBACK 0x80) and that its
	// password is wrong.
	cfg := quick(addr, rec)
	cfg.Username, cfg.Password, cfg.Filters = "float", "gerste", []string{"cellar/float-1/data", "#"}
	s := startSubscriber(t, cfg, &recorder{})
	waitProblem(t, s, "refuses the subscription to #")
	assert.True(t, s.Status().Connected)
	assert.True(t, s.Status().Filters[0].Granted)
	assert.False(t, s.Status().Filters[1].Granted)
	cfg.ClientID, cfg.Password = "other", "wrong"
	waitProblem(t, startSubscriber(t, cfg, &recorder{}), `refuses user "float" or its password`)
}

func TestTLS(t *testing.T) {
	cert, pool := certificate(t)
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{TLS: &tls.Config{Certificates: []tls.Certificate{cert}}}, &recorder{})
	cfg := quick(e.Addr(), rec)
	cfg.URLs, cfg.TLS, cfg.Filters = []string{"ssl://" + e.Addr()}, &tls.Config{RootCAs: pool}, []string{"#"}
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	require.NoError(t, s.Publish(t.Context(), Outgoing{Topic: "cellar/float-1", Payload: []byte("1.0132"), QoS: 1}))
	rec.wait(t, 1)

	cfg.TLS, cfg.ClientID = nil, "other"
	waitProblem(t, startSubscriber(t, cfg, rec), "certificate")
}

func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

// A client faster than its rate is slowed down; nothing of it is lost, and
// nobody else waits.
func TestRateSlowsDownOneClient(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{Rate: 100, Burst: 5}, rec)
	fast, calm := device(t, e.Addr(), "fast"), device(t, e.Addr(), "calm")
	for i := range 40 {
		fast.Publish("cellar/fast", 0, false, fmt.Sprint(i))
	}
	send(t, calm, "cellar/calm", 1, false, "1.0132")
	rec.wait(t, 40, "cellar/fast")
	assert.Len(t, rec.all("cellar/calm"), 1)
	assert.Positive(t, e.slowed.Load())
}

func TestNumberOfClientsIsBounded(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{MaxClients: 2}, rec)
	device(t, e.Addr(), "a")
	b := device(t, e.Addr(), "b")
	_, port, err := net.SplitHostPort(e.Addr())
	require.NoError(t, err)
	require.Error(t, exec.Command("mosquitto_pub", "-p", port, "-t", "x", "-m", "x", "-q", "1").Run())
	send(t, b, "cellar/float-1", 1, false, "1.0132")
	rec.wait(t, 1)
	assert.Equal(t, 2, e.Status().Clients)
}

// Sessions of clients that went away are bounded too: each holds memory.
func TestNumberOfSessionsIsBounded(t *testing.T) {
	e := startEmbedded(t, EmbeddedConfig{MaxClients: 2}, &recorder{})
	refusedAt := 0
	for i := range 20 {
		c := raw(t, e.Addr())
		c.connect(fmt.Sprint("away-", i), false)
		if _, err := readPacket(c); err != nil {
			refusedAt = i
			break
		}
		require.NoError(t, c.Close())
		require.Eventually(t, func() bool { return e.Status().Clients == 0 }, patience, tick)
	}
	assert.Equal(t, 7, refusedAt, "four times MaxClients, our own included")
}

func TestRetainedMessagesAreBounded(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{MaxRetained: 30}, rec)
	d := device(t, e.Addr(), "d")
	for i := range 60 {
		send(t, d, fmt.Sprint("cellar/", i), 1, true, "1.0132")
	}
	rec.wait(t, 60)
	assert.LessOrEqual(t, e.server.Topics.Retained.Len(), 30)
	send(t, d, "cellar/0", 1, true, "changed")
	assert.Equal(t, "changed", sub(t, e.Addr(), "-t", "cellar/0"))
	send(t, d, "cellar/0", 1, true, "")
	require.Eventually(t, func() bool { _, kept := e.server.Topics.Retained.Get("cellar/0"); return !kept }, patience, tick)
}

// Whoever connects in the moment in which the broker closes is closed with it: nothing
// is served any more when Close has returned (the race detector tells of less).
func TestConnectingWhileItCloses(t *testing.T) {
	for i := range 200 {
		e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, (&recorder{}).handle)
		require.NoError(t, err)
		require.NoError(t, e.Start(t.Context()))
		addr := e.Addr()
		var knocking sync.WaitGroup
		for range 1 + i%3 {
			knocking.Go(func() {
				for {
					c, err := net.Dial("tcp", addr)
					if err != nil {
						return // closed
					}
					_ = c.Close()
				}
			})
		}
		require.NoError(t, e.Close())
		e.listen.mu.Lock()
		require.Empty(t, e.listen.conns)
		e.listen.mu.Unlock()
		knocking.Wait()
	}
}

// readLimit is a connection that ends at once, and notes until when reads wait.
type readLimit struct {
	net.Conn
	until time.Time
}

func (c *readLimit) Read([]byte) (int, error) { return 0, io.EOF }

func (c *readLimit) RemoteAddr() net.Addr { return &net.TCPAddr{} }

func (c *readLimit) SetReadDeadline(t time.Time) error { c.until = t; return nil }

// The broker waits for one and a half times the keep-alive at least (MQTT 3.1.1
// §3.1.2.10), also where that is no whole number of seconds.
func TestAnOddKeepAliveIsWaitedForToItsEnd(t *testing.T) {
	for _, keepAlive := range []uint16{0, 1, 2, 3, 61, longestKeepAlive} {
		c := &readLimit{}
		client := mochi.New(nil).NewClient(&serverConn{Conn: c, opened: true, r: bufio.NewReader(c)}, listenerID, "float-1", false)
		client.State.Keepalive = keepAlive
		at := time.Now()
		require.ErrorIs(t, client.Read(nil), io.EOF)
		if keepAlive == 0 {
			assert.Zero(t, c.until, "for ever")
			continue
		}
		assert.GreaterOrEqual(t, c.until.Sub(at), time.Duration(keepAlive)*1500*time.Millisecond, "%d s", keepAlive)
	}
}

// A device that need not be heard for half a day is not taken for one that is gone.
func TestAKeepAliveOfHalfADay(t *testing.T) {
	e := startEmbedded(t, EmbeddedConfig{}, &recorder{})
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + e.Addr()).SetClientID("sleeper").SetAutoReconnect(false).SetKeepAlive(43691 * time.Second))
	require.NoError(t, mqtt.WaitTokenTimeout(c.Connect(), patience))
	t.Cleanup(func() { c.Disconnect(0) })
	time.Sleep(1500 * time.Millisecond) // by then it was cut
	require.NoError(t, mqtt.WaitTokenTimeout(c.Publish("cellar/float-1", 1, false, "1.0132"), patience))
}
