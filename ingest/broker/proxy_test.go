package broker

import (
	"encoding/binary"
	"io"
	"net"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// proxy stands between a client and a broker on loopback. It can cut
// connections, swallow everything without closing (a black hole), and it counts
// MQTT packets by type in both directions.
type proxy struct {
	t      testing.TB
	ln     net.Listener
	target string
	serve  sync.WaitGroup

	mu     sync.Mutex
	hole   chan struct{} // not nil: nothing passes until it is closed
	conns  map[net.Conn]bool
	closed bool
	up     [16]int // packets from client to broker, by type
	down   [16]int
	sent   map[uint16]string // payload by packet id, of QoS 1 publishes under way
	acked  []string          // payloads whose PUBACK has passed
}

func startProxy(t testing.TB, target string) *proxy {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{t: t, ln: ln, target: target, conns: map[net.Conn]bool{}, sent: map[uint16]string{}}
	p.serve.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

func (p *proxy) addr() string { return p.ln.Addr().String() }

func (p *proxy) accept() {
	for {
		c, err := p.ln.Accept()
		if err != nil {
			return
		}
		b, err := net.Dial("tcp", p.target)
		if err != nil || !p.keep(c, b) {
			_ = c.Close()
			continue
		}
		p.serve.Go(func() { p.pipe(c, b, &p.up) })
		p.serve.Go(func() { p.pipe(b, c, &p.down) })
	}
}

func (p *proxy) keep(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		p.conns[c] = true
	}
	return !p.closed
}

// pipe passes whole MQTT packets on and counts them.
func (p *proxy) pipe(from, to net.Conn, count *[16]int) {
	defer func() {
		_, _ = from.Close(), to.Close()
		p.mu.Lock()
		delete(p.conns, from)
		p.mu.Unlock()
	}()
	for {
		packet, err := readPacket(from)
		if err != nil {
			return
		}
		p.mu.Lock()
		hole := p.hole
		p.mu.Unlock()
		if hole != nil {
			<-hole
		}
		p.mu.Lock()
		count[packet[0]>>4]++
		p.note(packet)
		p.mu.Unlock()
		if _, err := to.Write(packet); err != nil {
			return
		}
	}
}

// note keeps which payloads have been acknowledged on the wire. A Paho token is
// no witness: it completes when a stored publish is sent again.
func (p *proxy) note(packet []byte) {
	body := packet[2:]
	for i := 1; packet[i]&0x80 != 0; i++ {
		body = packet[i+2:]
	}
	switch {
	case packet[0]>>4 == publish && packet[0]&0x06 == 0x02: // QoS 1 (§3.3.1.2)
		topic := int(binary.BigEndian.Uint16(body))
		p.sent[binary.BigEndian.Uint16(body[2+topic:])] = string(body[4+topic:])
	case packet[0]>>4 == puback:
		p.acked = append(p.acked, p.sent[binary.BigEndian.Uint16(body)])
	}
}

// acknowledged are the payloads of QoS 1 publishes whose PUBACK has passed.
func (p *proxy) acknowledged() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.acked)
}

func readPacket(r io.Reader) ([]byte, error) {
	head := make([]byte, 2, 5)
	if _, err := io.ReadFull(r, head); err != nil {
		return nil, err
	}
	for head[len(head)-1]&0x80 != 0 {
		b := make([]byte, 1)
		if _, err := io.ReadFull(r, b); err != nil {
			return nil, err
		}
		head = append(head, b...)
	}
	length := 0
	for i, b := range head[1:] {
		length |= int(b&0x7f) << (7 * i)
	}
	packet := append(head, make([]byte, length)...)
	_, err := io.ReadFull(r, packet[len(head):])
	return packet, err
}

// cut closes every connection; new ones are let through.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		_ = c.Close()
	}
}

// swallow begins a black hole, repair ends it.
func (p *proxy) swallow() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hole = make(chan struct{})
}

func (p *proxy) repair() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.hole != nil {
		close(p.hole)
		p.hole = nil
	}
}

// packets is how many packets of a type passed in either direction.
func (p *proxy) packets(kind int) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.up[kind] + p.down[kind]
}

func (p *proxy) close() {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	_ = p.ln.Close()
	p.repair()
	p.cut()
	p.serve.Wait()
}

// MQTT packet types (MQTT 3.1.1 §2.2.1).
const (
	publish = 3
	puback  = 4
	pubrec  = 5
)
