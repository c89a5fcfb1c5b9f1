package broker

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rawConn is a client that sends what it likes.
type rawConn struct {
	net.Conn
	t testing.TB
}

func raw(t testing.TB, addr string) *rawConn {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(patience)))
	t.Cleanup(func() { _ = c.Close() })
	return &rawConn{c, t}
}

func encoded(p packets.ControlPacket) []byte {
	var b bytes.Buffer
	_ = p.Write(&b)
	return b.Bytes()
}

func connectPacket(id string, clean bool) []byte {
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.ClientIdentifier, p.CleanSession = "MQTT", 4, id, clean
	return encoded(p)
}

func publishPacket(topic string, qos byte, id uint16, payload string) []byte {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic, qos, id, []byte(payload)
	return encoded(p)
}

func (c *rawConn) connect(id string, clean bool) {
	_, _ = c.Write(connectPacket(id, clean))
}

// ended waits until the broker has closed the connection.
func (c *rawConn) ended() {
	c.t.Helper()
	for {
		if _, err := readPacket(c); err != nil {
			require.NotErrorIs(c.t, err, os.ErrDeadlineExceeded, "the broker should have closed the connection")
			return
		}
	}
}

// healthy checks that an ordinary client is still served, acknowledgement included.
func healthy(t testing.TB, addr string, rec *recorder) {
	t.Helper()
	c := raw(t, addr)
	defer func() { _ = c.Close() }()
	c.connect("healthy", true)
	ack, err := readPacket(c)
	require.NoError(t, err)
	require.Equal(t, []byte{0x20, 2, 0, 0}, ack)
	before := len(rec.all("healthy"))
	_, err = c.Write(publishPacket("healthy", 1, 7, "x"))
	require.NoError(t, err)
	ack, err = readPacket(c)
	require.NoError(t, err)
	require.Equal(t, []byte{0x40, 2, 0, 7}, ack)
	require.Len(t, rec.all("healthy"), before+1)
}

// hostile are bytes that a broken or malicious client may send.
var hostile = []struct {
	name  string
	bytes []byte
}{
	{"nothing of MQTT", []byte("GET / HTTP/1.1\r\n\r\n")},
	{"publish before connect", publishPacket("a", 1, 1, "x")},
	{"connect that claims 256 MiB", []byte{0x10, 0xff, 0xff, 0xff, 0x7f}},
	{"length of five bytes", []byte{0x10, 0xff, 0xff, 0xff, 0xff, 0x7f}},
	{"empty connect", []byte{0x10, 0}},
	{"connect cut off", connectPacket("x", true)[:8]},
	{"unknown protocol", []byte{0x10, 12, 0, 4, 'M', 'Q', 'T', 'X', 4, 2, 0, 0, 0, 0}},
	{"connect twice", append(connectPacket("x", true), connectPacket("x", true)...)},
	{"reserved type 0", append(connectPacket("x", true), 0x00, 0)},
	{"reserved type 15", append(connectPacket("x", true), 0xf0, 0)},
	{"server's packet from a client", append(connectPacket("x", true), 0x20, 2, 0, 0)},
	{"publish with QoS 3", append(connectPacket("x", true), 0x36, 5, 0, 1, 'a', 0, 1)},
	{"publish with id 0", append(connectPacket("x", true), publishPacket("a", 1, 0, "x")...)},
	{"publish without topic", append(connectPacket("x", true), publishPacket("", 1, 1, "x")...)},
	{"publish to a wildcard", append(connectPacket("x", true), publishPacket("a/#", 1, 1, "x")...)},
	{"publish to $SYS", append(connectPacket("x", true), publishPacket("$SYS/broker/uptime", 1, 1, "x")...)},
	{"topic longer than the packet", append(connectPacket("x", true), 0x30, 4, 0xff, 0xff, 'a', 'b')},
	{"topic that is not UTF-8", append(connectPacket("x", true), publishPacket("a\xff\xfe", 1, 1, "x")...)},
	{"topic with a null", append(connectPacket("x", true), publishPacket("a\x00b", 1, 1, "x")...)},
	{"publish above 2 MiB", append(connectPacket("x", true), 0x32, 0xff, 0xff, 0xff, 0x7f)},
	{"subscribe without filters", append(connectPacket("x", true), 0x82, 2, 0, 1)},
	{"unsubscribe cut off", append(connectPacket("x", true), 0xa2, 3, 0, 1, 0)},
	{"acknowledgement of nothing with odd flags", append(connectPacket("x", true), 0x6f, 2, 0, 9)},
}

// Malformed and oversized packets end their own connection at most.
func TestHostileBytes(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	for _, h := range hostile {
		t.Run(h.name, func(t *testing.T) {
			c := raw(t, e.Addr())
			_, _ = c.Write(h.bytes)
			_ = c.Conn.(*net.TCPConn).CloseWrite()
			c.ended()
			healthy(t, e.Addr(), rec)
		})
	}
	assert.Len(t, rec.all(), len(hostile), "only the healthy ones")
}

// Publishing where nobody may, or too much, is shown with who did it.
func TestHostilePublishesAreShown(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	for i, h := range [][]byte{publishPacket("$SYS/x", 1, 1, "x"), {0x32, 0xff, 0xff, 0xff, 0x7f}} {
		c := raw(t, e.Addr())
		c.connect(fmt.Sprint("odd-", i), true)
		_, _ = c.Write(h)
		c.ended()
	}
	require.Eventually(t, func() bool { return len(rec.refusalList()) == 2 }, patience, tick)
	assert.Equal(t, ReasonTopicNotAllowed, rec.refusalList()[0].Reason)
	assert.Contains(t, rec.refusalList()[0].Detail, `client "odd-0"`)
	assert.Equal(t, ReasonPayloadTooLarge, rec.refusalList()[1].Reason)
	assert.Contains(t, rec.refusalList()[1].Detail, `client "odd-1"`)
}

// A connection that never introduces itself is closed, and does not count as a client.
func TestSilentConnectionIsClosed(t *testing.T) {
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, (&recorder{}).handle)
	require.NoError(t, err)
	e.hello = 50 * time.Millisecond
	require.NoError(t, e.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	for _, first := range []string{"", "\x10"} {
		c := raw(t, e.Addr())
		_, err := c.Write([]byte(first))
		require.NoError(t, err)
		c.ended()
	}
	assert.Zero(t, e.Status().Clients)
}

// A connection that is not known yet gets no memory for what it claims to send,
// and no time to send it.
func TestOversizedConnectIsClosedAtOnce(t *testing.T) {
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, (&recorder{}).handle)
	require.NoError(t, err)
	e.hello = time.Hour
	require.NoError(t, e.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	c := raw(t, e.Addr())
	_, err = c.Write([]byte{0x10, 0x80, 0x80, 0x40}) // 1 MiB, which a known client may send
	require.NoError(t, err)
	c.ended()
}

// A client that subscribes and stops reading must not hold up the readings of
// the devices whose messages it asked for.
func TestStuckSubscriberHoldsUpNobodyForLong(t *testing.T) {
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	stuck := raw(t, e.Addr())
	stuck.connect("stuck", true)
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.MessageID, p.Topics, p.Qoss = 1, []string{"#"}, []byte{1}
	_, err := stuck.Write(encoded(p))
	require.NoError(t, err)
	for range 2 {
		_, err := readPacket(stuck)
		require.NoError(t, err)
	}
	d := device(t, e.Addr(), "float-1")
	for i := range 400 { // 25 MB: more than the sockets hold
		send(t, d, "cellar/float-1", 1, false, fmt.Sprintf("%d %s", i, strings.Repeat("x", 64000)))
	}
	rec.wait(t, 400)
	require.Eventually(t, func() bool { return e.Status().Clients == 1 }, patience, tick, "the stuck one is thrown out")
}

// Close does not wait for connections that say nothing.
func TestCloseWithIdleConnections(t *testing.T) {
	e := startEmbedded(t, EmbeddedConfig{}, &recorder{})
	raw(t, e.Addr())
	c := raw(t, e.Addr())
	c.connect("idle", true)
	_, err := readPacket(c)
	require.NoError(t, err)
	require.NoError(t, e.Close())
	c.ended()
}

// FuzzListener sends raw bytes, before and after a proper CONNECT. Whatever they
// are, the next client is served.
func FuzzListener(f *testing.F) {
	for _, h := range hostile {
		f.Add(false, h.bytes)
		f.Add(true, h.bytes)
	}
	rec := &recorder{}
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, rec.handle)
	require.NoError(f, err)
	require.NoError(f, e.Start(f.Context()))
	f.Cleanup(func() { require.NoError(f, e.Close()) })
	f.Fuzz(func(t *testing.T, connected bool, data []byte) {
		c := raw(t, e.Addr())
		if connected {
			c.connect("fuzz", true)
			_, err := readPacket(c)
			require.NoError(t, err)
		}
		_, _ = c.Write(data)
		_ = c.Conn.(*net.TCPConn).CloseWrite()
		c.ended()
		healthy(t, e.Addr(), rec)
	})
}
