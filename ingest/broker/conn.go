package broker

import (
	"bufio"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	readBuffer = 32 << 10 // bytes; Paho reads a header byte by byte
	ackLength  = 4        // bytes of a PUBACK (MQTT 3.1.1 §3.4)
	ackType    = 0x40     // its first byte
	maxCorked  = 256      // acknowledgements in one write
)

// clientConn is what Paho reads and writes through: reads are buffered, and the
// acknowledgements of one commit leave in one write. Paho does neither, which
// costs it a third of its throughput.
type clientConn struct {
	net.Conn
	r            *bufio.Reader
	writeTimeout time.Duration

	mu      sync.Mutex
	corked  []byte        // acknowledgements written by Paho and not yet sent
	owed    int           // acknowledgements announced by cork and not yet written by Paho
	settled chan struct{} // closed while nothing is owed

	failOnce sync.Once
	why      error         // set before gone is closed
	gone     chan struct{} // closed by fail
}

func newClientConn(c net.Conn, writeTimeout time.Duration, heard func()) *clientConn {
	settled := make(chan struct{})
	close(settled)
	return &clientConn{
		Conn: c, r: bufio.NewReaderSize(&hearingReader{c, heard}, readBuffer),
		writeTimeout: writeTimeout, settled: settled, gone: make(chan struct{}),
	}
}

// hearingReader reports whenever bytes come.
type hearingReader struct {
	r     io.Reader
	heard func()
}

func (h *hearingReader) Read(p []byte) (int, error) {
	n, err := h.r.Read(p)
	if n > 0 {
		h.heard()
	}
	return n, err
}

// Read returns the reason given to fail rather than the error of a closed
// connection, because Paho takes the latter for its own doing and stays quiet.
func (c *clientConn) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if err != nil {
		select {
		case <-c.gone:
			err = c.why
		default:
		}
	}
	return n, err
}

// fail drops the connection for a reason of ours, so that the broker sends
// again what was not acknowledged.
func (c *clientConn) fail(why error) {
	c.failOnce.Do(func() {
		c.why = why
		close(c.gone)
		_ = c.Close()
	})
}

// cork announces that Paho is about to write n acknowledgements.
func (c *clientConn) cork(n int) {
	if n == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.owed == 0 {
		c.settled = make(chan struct{})
	}
	c.owed += n
}

// waitSettled waits until every announced acknowledgement has been sent.
func (c *clientConn) waitSettled(limit time.Duration) {
	c.mu.Lock()
	settled := c.settled
	c.mu.Unlock()
	t := time.NewTimer(limit)
	defer t.Stop()
	select {
	case <-settled:
	case <-t.C:
	}
}

// Write sends a packet, and with it the acknowledgements held back. Order is kept.
func (c *clientConn) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(p) == ackLength && p[0] == ackType && c.owed > 0 {
		c.owed--
		c.corked = append(c.corked, p...)
		if c.owed > 0 && len(c.corked) < maxCorked*ackLength {
			return len(p), nil
		}
		if err := c.send(c.corked); err != nil {
			return 0, err
		}
		c.corked = c.corked[:0]
		if c.owed == 0 {
			close(c.settled)
		}
		return len(p), nil
	}
	if len(c.corked) > 0 {
		if err := c.send(c.corked); err != nil {
			return 0, err
		}
		c.corked = c.corked[:0]
	}
	if err := c.send(p); err != nil {
		return 0, err
	}
	return len(p), nil
}

// send writes within the time-out: a write into a dead connection would else
// block Paho's own keep-alive, which writes its ping through here too.
func (c *clientConn) send(p []byte) error {
	if err := c.SetWriteDeadline(time.Now().Add(c.writeTimeout)); err != nil {
		return err
	}
	_, err := c.Conn.Write(p)
	return err
}

// dial opens a connection to one broker URL within the time-out.
func dial(ctx context.Context, u *url.URL, timeout time.Duration, tlsConfig *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	switch u.Scheme {
	case "tcp", "mqtt":
		return new(net.Dialer).DialContext(ctx, "tcp", u.Host)
	case "ssl", "tls", "mqtts":
		return (&tls.Dialer{Config: tlsConfig}).DialContext(ctx, "tcp", u.Host)
	case "ws", "wss":
		bare := *u
		bare.User = nil // goes into CONNECT instead
		return mqtt.NewWebsocket(bare.String(), tlsConfig, timeout, nil, nil)
	}
	return nil, fmt.Errorf("broker address %s: unknown scheme %q", u.Redacted(), u.Scheme)
}
