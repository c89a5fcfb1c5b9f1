package page

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Slow loris: two thousand connections that say nothing or half a head leave the
// page answering and an event stream open, and never more of them are open here
// than the bound.
func TestManyIdleConnectionsKeepNobodyOut(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.Open = true })
	addr := strings.TrimPrefix(c.http.URL, "http://")
	dial := func(say string) net.Conn {
		conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", addr)
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		_, _ = io.WriteString(conn, say) // it may have been closed already
		return conn
	}
	stream := dial("GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	news := bufio.NewReader(stream)
	line, err := news.ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, line, "200")
	for i := range 2000 {
		dial([]string{"", "GET /login HTTP/1.1\r\nHost: ", "P"}[i%3])
		if i%100 == 0 {
			resp, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Get(c.http.URL + "/new")
			require.NoError(t, err, "after %d", i)
			require.NoError(t, resp.Body.Close())
			require.Equal(t, http.StatusOK, resp.StatusCode)
		}
	}
	c.server.crowd.mu.Lock()
	open := len(c.server.crowd.guests)
	c.server.crowd.mu.Unlock()
	require.LessOrEqual(t, open, maxConns)
	require.NoError(t, stream.SetReadDeadline(time.Now().Add(100*time.Millisecond)))
	for err = nil; err == nil; {
		_, err = news.ReadString('\n')
	}
	require.ErrorContains(t, err, "i/o timeout", "who is being served stays")
}

// Who has the most connections gives one up, first one without a request.
func TestWhoOpensManyShutsOutHimself(t *testing.T) {
	t.Parallel()
	crowd := crowd{max: 4, guests: map[net.Conn]*guest{}}
	names := map[net.Conn]string{}
	comes := func(from string) net.Conn {
		ours, theirs := net.Pipe()
		t.Cleanup(func() { _ = theirs.Close() })
		names[ours] = fmt.Sprint(from, " ", len(names))
		crowd.admit(ours, netip.MustParseAddr(from))
		return ours
	}
	here := func(want ...string) {
		t.Helper()
		var got []string
		for c := range crowd.guests {
			got = append(got, names[c])
		}
		require.ElementsMatch(t, want, got)
	}
	const brewer, other = "192.0.2.1", "192.0.2.9"
	comes(brewer)
	crowd.serves(comes(other), 1)
	comes(other)
	crowd.serves(comes(other), 1)
	comes(other)
	here(brewer+" 0", other+" 1", other+" 3", other+" 4")
	for c := range crowd.guests {
		crowd.serves(c, 1)
	}
	late := comes(brewer)
	require.Len(t, crowd.guests, 4)
	require.Contains(t, crowd.guests, late, "also while all of the other's are being served, by half a body perhaps")
	mine := 0
	for _, g := range crowd.guests {
		if g.from.String() == brewer {
			mine++
		}
	}
	require.Equal(t, 2, mine)
}
