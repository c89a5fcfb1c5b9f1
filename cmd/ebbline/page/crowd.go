package page

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// maxConns bounds the connections open at once; a browser opens six.
const maxConns = 512

// crowd knows the open connections and makes room for a new one where there are
// too many: from the address that has the most, the one that has waited longest
// without a request, or else the oldest. So who opens many shuts out himself,
// whether he says nothing, half a head or half a body. Behind a proxy all have
// its address; bounding them apart is the proxy's.
type crowd struct {
	max    int
	mu     sync.Mutex
	guests map[net.Conn]*guest
}

// guest is one connection. since is when it began to wait or to be served.
type guest struct {
	from    netip.Addr
	since   time.Time
	serving int // requests in hand; more than one with HTTP/2
}

type guestKey struct{}

// configure makes a server tell of its connections and of whom it serves.
func (c *crowd) configure(h *http.Server) {
	next := h.Handler
	h.ConnContext = func(ctx context.Context, conn net.Conn) context.Context {
		return context.WithValue(ctx, guestKey{}, conn)
	}
	h.ConnState = func(conn net.Conn, s http.ConnState) {
		switch s {
		case http.StateNew:
			addr, _ := netip.ParseAddrPort(conn.RemoteAddr().String())
			c.admit(conn, addr.Addr().Unmap().WithZone(""))
		case http.StateClosed, http.StateHijacked:
			c.mu.Lock()
			delete(c.guests, conn)
			c.mu.Unlock()
		}
	}
	h.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		conn, _ := r.Context().Value(guestKey{}).(net.Conn)
		c.serves(conn, 1)
		defer c.serves(conn, -1)
		next.ServeHTTP(w, r)
	})
}

func (c *crowd) serves(conn net.Conn, n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if g := c.guests[conn]; g != nil {
		g.serving, g.since = g.serving+n, time.Now()
	}
}

// admit takes a new connection in, if need be by closing another.
func (c *crowd) admit(conn net.Conn, from netip.Addr) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.guests) >= c.max {
		leaves := c.choose()
		delete(c.guests, leaves)
		if t, ok := leaves.(*tls.Conn); ok {
			leaves = t.NetConn() // closing the other would wait for its peer
		}
		_ = leaves.Close()
	}
	c.guests[conn] = &guest{from: from, since: time.Now()}
}

// choose gives the connection that has to leave.
func (c *crowd) choose() (leaves net.Conn) {
	many := map[netip.Addr]int{}
	for _, g := range c.guests {
		many[g.from]++
	}
	before := func(a, b *guest) bool {
		switch {
		case many[a.from] != many[b.from]:
			return many[a.from] > many[b.from]
		case (a.serving > 0) != (b.serving > 0):
			return b.serving > 0
		}
		return a.since.Before(b.since)
	}
	for conn, g := range c.guests {
		if leaves == nil || before(g, c.guests[leaves]) {
			leaves = conn
		}
	}
	return leaves
}
