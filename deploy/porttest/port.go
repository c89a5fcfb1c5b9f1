// Package porttest finds ports for the servers that tests start.
package porttest

import (
	"math/rand/v2"
	"net"
	"strconv"
	"testing"
)

// Ports below those that Linux gives to outgoing connections (32768 and up): one
// of those may be taken by anybody's connection before the server listens on it.
const (
	first = 10_000
	count = 22_000
)

// Free is a TCP port of 127.0.0.1 on which nothing listens, another one each time.
func Free(t testing.TB) int {
	t.Helper()
	for range count {
		port := first + rand.IntN(count)
		l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", address(port))
		if err == nil && l.Close() == nil {
			return port
		}
	}
	t.Fatalf("no port is free from %d to %d", first, first+count-1)
	return 0
}

// Address is one with a free port, host:port.
func Address(t testing.TB) string {
	t.Helper()
	return address(Free(t))
}

func address(port int) string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(port)) }
