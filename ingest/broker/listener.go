package broker

import (
	"bufio"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"runtime/debug"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

const (
	// helloTimeout is how long a new connection may take to introduce itself,
	// TLS handshake included.
	helloTimeout = 10 * time.Second
	// stuckTimeout is how long a client may refuse to read. Its fan-out holds up
	// the devices that publish, so it is short.
	stuckTimeout = 3 * time.Second
	// maxHello bounds the CONNECT packet of a client that is not known yet, in
	// bytes: a will of 64 KiB and the names fit.
	maxHello = 128 << 10
	// spareConns may be open besides MaxClients, not introduced yet; waitingConns
	// of them from one address.
	spareConns   = 128
	waitingConns = 64
)

// listener accepts connections for the embedded broker and keeps a broken or
// hostile peer from doing harm beyond its own connection.
type listener struct {
	net.Listener
	tls   *tls.Config
	max   int
	hello time.Duration // until the first packet
	in    *intake

	mu    sync.Mutex
	conns map[net.Conn]*guest
	ended bool
	serve sync.WaitGroup
}

// guest is a connection as the listener sees it.
type guest struct {
	from  netip.Addr
	since time.Time
	known bool // it has introduced itself, with the right password
}

func newListener(raw net.Listener, e *Embedded) *listener {
	return &listener{
		Listener: raw, tls: e.cfg.TLS, max: e.cfg.MaxClients + spareConns, hello: e.hello, in: e.in,
		conns: map[net.Conn]*guest{},
	}
}

// Init has nothing to do: the address is open already.
func (l *listener) Init(*slog.Logger) error { return nil }

// ID names the listener.
func (l *listener) ID() string { return listenerID }

// Address is host and real port.
func (l *listener) Address() string { return l.Addr().String() }

// Protocol names the transport.
func (l *listener) Protocol() string { return "tcp" }

// Serve accepts until Close.
func (l *listener) Serve(establish listeners.EstablishFn) {
	for {
		raw, err := l.Accept()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			l.in.log.Error("accepting a connection", "err", err) // out of file descriptors: passes
			time.Sleep(100 * time.Millisecond)
			continue
		}
		if !l.admit(raw) {
			_ = raw.Close()
			continue
		}
		go l.attend(raw, establish)
	}
}

// admit makes room for a new connection, if need be by closing the one that has
// been waiting longest: who opens many and says nothing shuts out himself only.
func (l *listener) admit(c net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ended {
		return false
	}
	from := homeOf(c.RemoteAddr().String())
	mine := func(g *guest) bool { return g.from == from }
	if oldest, n := l.waiting(mine); n >= waitingConns {
		l.dismiss(oldest, fmt.Sprintf("its address has %d connections that have not said who they are", waitingConns))
	}
	if len(l.conns) >= l.max {
		oldest, n := l.waiting(func(*guest) bool { return true })
		if n == 0 {
			l.in.dismiss("there are too many connections", "", c.RemoteAddr().String())
			return false
		}
		l.dismiss(oldest, "it has not said who it is, and its place is needed")
	}
	l.conns[c] = &guest{from: from, since: time.Now()}
	l.serve.Add(1)
	return true
}

// waiting counts the connections that have not introduced themselves, and gives
// the oldest.
func (l *listener) waiting(which func(*guest) bool) (oldest net.Conn, n int) {
	for c, g := range l.conns {
		if g.known || !which(g) {
			continue
		}
		n++
		if oldest == nil || g.since.Before(l.conns[oldest].since) {
			oldest = c
		}
	}
	return oldest, n
}

// dismiss closes a connection that has not introduced itself.
func (l *listener) dismiss(c net.Conn, why string) {
	l.in.dismiss(why, "", c.RemoteAddr().String())
	_ = c.Close()
	delete(l.conns, c)
}

// introduced notes that a connection is that of a client who may come in.
func (l *listener) introduced(c net.Conn) {
	s, ok := c.(*serverConn)
	if !ok {
		return // of our own
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if g := l.conns[s.raw]; g != nil {
		g.known = true
	}
}

// attend serves one connection to its end. A panic in the broker's reading of it
// ends this connection only.
func (l *listener) attend(raw net.Conn, establish listeners.EstablishFn) {
	defer func() {
		if p := recover(); p != nil {
			l.in.quiet.Do(func() {
				l.in.log.Error("a client's packet broke the broker's reading of it", "remote", raw.RemoteAddr().String(), "panic", p, "stack", string(debug.Stack()))
			})
		}
		_ = raw.Close()
		l.mu.Lock()
		delete(l.conns, raw)
		l.mu.Unlock()
		l.serve.Done()
	}()
	c := raw
	if l.tls != nil {
		c = tls.Server(raw, l.tls)
	}
	_ = raw.SetReadDeadline(time.Now().Add(l.hello))
	if err := establish(listenerID, &serverConn{Conn: c, raw: raw, r: bufio.NewReader(c)}); err != nil {
		l.in.log.Debug("connection ended", "remote", raw.RemoteAddr().String(), "err", err)
	}
}

// Close stops accepting, then ends every connection, and returns when none is served any
// more: the broker's own waiting does not see one that is just being let in.
func (l *listener) Close(closeClients listeners.CloseFn) {
	l.mu.Lock()
	l.ended = true
	l.mu.Unlock()
	_ = l.Listener.Close()
	closeClients(listenerID)
	l.mu.Lock()
	for c := range l.conns {
		_ = c.Close()
	}
	l.mu.Unlock()
	l.serve.Wait()
}

// serverConn is one client's connection.
type serverConn struct {
	net.Conn
	raw    net.Conn // without encryption
	r      *bufio.Reader
	opened bool // the first packet is a CONNECT of a decent size
}

// Read checks the first packet's header before the broker sets memory aside for
// what it claims to be.
func (c *serverConn) Read(p []byte) (int, error) {
	if !c.opened {
		if err := c.hello(); err != nil {
			return 0, err
		}
		c.opened = true
	}
	return c.r.Read(p)
}

func (c *serverConn) hello() error {
	length := 0
	for i := range 5 { // type, then at most four bytes of length (MQTT 3.1.1 §2.2)
		head, err := c.r.Peek(i + 1)
		if err != nil {
			return err
		}
		b := head[i]
		if i == 0 {
			if b != 0x10 {
				return fmt.Errorf("first byte is %#x, not that of a CONNECT packet", b)
			}
			continue
		}
		length |= int(b&0x7f) << (7 * (i - 1))
		if b&0x80 == 0 {
			if length > maxHello {
				return fmt.Errorf("first packet of %d bytes: at most %d before a client is known", length, maxHello)
			}
			return nil
		}
	}
	return errors.New("first packet's length is malformed")
}

// SetDeadline sets the keep-alive's deadline on reads only; writes have their own. The
// broker rounds one and a half times the keep-alive (MQTT 3.1.1 §3.1.2.10) down to whole
// seconds, which leaves a client that pings every second no time at all.
func (c *serverConn) SetDeadline(t time.Time) error {
	if !t.IsZero() {
		t = t.Add(time.Second)
	}
	return c.SetReadDeadline(t)
}

// Write gives up on a client that does not read, and ends its connection.
func (c *serverConn) Write(p []byte) (int, error) {
	_ = c.SetWriteDeadline(time.Now().Add(stuckTimeout))
	n, err := c.Conn.Write(p)
	if err != nil {
		_ = c.Close()
	}
	return n, err
}
