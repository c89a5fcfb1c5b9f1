package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// mosquitto is a real broker of the test's own, on loopback.
type mosquitto struct {
	t    testing.TB
	conf string
	addr string
	cmd  *exec.Cmd
}

// broker is the address of the broker that a test of that kind uses: "embedded",
// or "mosquitto", which it starts.
func (h *residence) broker(t testing.TB, kind string) string {
	t.Helper()
	if kind == "embedded" {
		return h.mqtt
	}
	m := newMosquitto(t)
	m.start()
	h.url = "tcp://" + m.addr
	return m.addr
}

// newMosquitto prepares a broker that keeps sessions and queues; start runs it.
func newMosquitto(t testing.TB) *mosquitto {
	t.Helper()
	m := &mosquitto{t: t, addr: porttest.Address(t)}
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o777)) // run as root it drops to a user of its own
	_, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	m.conf = filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf(`listener %s 127.0.0.1
allow_anonymous true
persistence true
persistence_location %s/
autosave_interval 1
max_queued_messages 100000
user root
`, port, dir)
	require.NoError(t, os.WriteFile(m.conf, []byte(text), 0o644))
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command("/usr/sbin/mosquitto", "-c", m.conf)
	out := &lockedBuffer{}
	m.cmd.Stdout, m.cmd.Stderr = out, out
	require.NoError(m.t, m.cmd.Start(), "mosquitto is missing: run deploy/test.sh")
	require.Eventually(m.t, func() bool {
		c, err := net.Dial("tcp", m.addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, longEnough, 20*time.Millisecond, "mosquitto does not come up: %s", out)
}

// stop ends the broker as a service manager does: it writes its state first.
func (m *mosquitto) stop() {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Signal(os.Interrupt)
	_ = m.cmd.Wait()
	m.cmd = nil
}

// publish sends each line as a QoS 1 message with the ordinary client.
func publish(t testing.TB, addr, topic string, lines []string) {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	cmd := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-t", topic, "-q", "1", "-l")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}
