package broker

import (
	"context"
	"fmt"
	"net"
	"testing"
	"time"

	"ebbline/ingest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A broker that sends more than there is room for is made to send it again;
// nothing of QoS 1 is lost, and memory stays bounded.
func TestMoreThanThereIsRoomFor(t *testing.T) {
	m := startMosquitto(t, "max_inflight_messages 0") // no window
	well := newGate()
	rec := &recorder{decide: func(ctx context.Context, _ ingest.Message, _ int) error { return well.pass(ctx) }}
	cfg := quick(m.addr(), rec)
	cfg.Concurrency = 1
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	numbered(t, m.addr(), 0, 500)
	require.Eventually(t, func() bool { return s.Status().Connections > 1 }, patience, tick)
	assert.Zero(t, s.Status().Acknowledged)
	well.open()
	waitNumbers(t, rec, 500)
}

// QoS 0 without room is lost, because nobody keeps it, and counted as such.
func TestMoreQoS0ThanThereIsRoomFor(t *testing.T) {
	m := startMosquitto(t)
	well := newGate()
	rec := &recorder{decide: func(ctx context.Context, _ ingest.Message, _ int) error { return well.pass(ctx) }}
	cfg := quick(m.addr(), rec)
	cfg.Concurrency, cfg.HandlerTimeout = 1, time.Second
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	d := device(t, m.addr(), "d")
	for i := range laneDepth + 10 {
		d.Publish("cellar/float-1", 0, false, fmt.Sprint(i))
	}
	require.Eventually(t, func() bool { return s.Status().Lost > 0 }, patience, tick)
	well.open()
	send(t, d, "cellar/float-1", 1, false, "after")
	require.Eventually(t, func() bool { return rec.times("cellar/float-1", "after") > 0 }, patience, tick)
}

// Acknowledgements announced together leave in one write, in order, and any
// other packet takes those that wait along with it.
func TestAcknowledgementsLeaveTogether(t *testing.T) {
	ours, theirs := net.Pipe()
	t.Cleanup(func() { _, _ = ours.Close(), theirs.Close() })
	c := newClientConn(ours, time.Minute, func() {})
	read := func() []byte {
		b := make([]byte, 1024) // a pipe's Read returns one Write
		n, err := theirs.Read(b)
		require.NoError(t, err)
		return b[:n]
	}
	write := func(p ...byte) { _, err := c.Write(p); assert.NoError(t, err) }
	go func() {
		write(0x40, 2, 0, 1) // not announced: at once
		c.cork(3)
		write(0x40, 2, 0, 2)
		write(0x40, 2, 0, 3)
		write(0x40, 2, 0, 4)
		c.cork(2)
		write(0x40, 2, 0, 5)
		write(0xc0, 0) // a ping
		write(0x40, 2, 0, 6)
	}()
	assert.Equal(t, []byte{0x40, 2, 0, 1}, read())
	assert.Equal(t, []byte{0x40, 2, 0, 2, 0x40, 2, 0, 3, 0x40, 2, 0, 4}, read())
	assert.Equal(t, []byte{0x40, 2, 0, 5}, read())
	assert.Equal(t, []byte{0xc0, 0}, read())
	assert.Equal(t, []byte{0x40, 2, 0, 6}, read())
	c.waitSettled(time.Minute)
}

// A connection that we drop tells Paho why, in words that it does not overlook.
func TestFailedConnectionSaysWhy(t *testing.T) {
	ours, theirs := net.Pipe()
	t.Cleanup(func() { _ = theirs.Close() })
	c := newClientConn(ours, time.Minute, func() {})
	c.fail(errNotStored)
	c.fail(net.ErrClosed) // the first reason stands
	_, err := c.Read(make([]byte, 1))
	require.ErrorIs(t, err, errNotStored)
	require.NotContains(t, err.Error(), "use of closed network connection")
}
