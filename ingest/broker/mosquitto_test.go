package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
	"ebbline/ingest/broker/brokertest"
)

// patience is how long a test waits for what must happen. It is no measure:
// nothing fails for being slow until then.
const patience = 60 * time.Second

// tick is how often a waiting test looks again.
const tick = 5 * time.Millisecond

// mosquitto is a real broker, Debian's, on a free loopback port.
type mosquitto struct {
	t    testing.TB
	dir  string
	port int
	cmd  *exec.Cmd
}

// startMosquitto starts one with the settings that lose nothing (persistence,
// long queues); extra lines are added to its configuration.
func startMosquitto(t testing.TB, extra ...string) *mosquitto {
	t.Helper()
	dir := t.TempDir()
	m := &mosquitto{t: t, dir: dir, port: porttest.Free(t)}
	lines := append([]string{
		fmt.Sprintf("listener %d 127.0.0.1", m.port), "allow_anonymous true",
		"persistence true", "persistence_location " + dir + "/", "autosave_interval 1",
		"max_queued_messages 100000", "log_dest none", "user root",
	}, extra...)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "m.conf"), []byte(strings.Join(lines, "\n")+"\n"), 0o600))
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command("/usr/sbin/mosquitto", "-c", filepath.Join(m.dir, "m.conf"))
	require.NoError(m.t, m.cmd.Start(), "mosquitto is part of the tests' set-up")
	waitListening(m.t, m.addr())
}

// stop ends it in good order: it writes its sessions to disk.
func (m *mosquitto) stop() {
	m.t.Helper()
	require.NoError(m.t, m.cmd.Process.Signal(os.Interrupt))
	_ = m.cmd.Wait()
	m.cmd = nil
}

// kill ends it at once.
func (m *mosquitto) kill() {
	if m.cmd != nil {
		_ = m.cmd.Process.Kill()
		_ = m.cmd.Wait()
		m.cmd = nil
	}
}

// forget wipes its sessions and queues.
func (m *mosquitto) forget() {
	m.t.Helper()
	require.NoError(m.t, os.Remove(filepath.Join(m.dir, "mosquitto.db")))
}

func (m *mosquitto) addr() string { return "127.0.0.1:" + strconv.Itoa(m.port) }

func waitListening(t testing.TB, addr string) {
	t.Helper()
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			return false
		}
		return c.Close() == nil
	}, patience, tick, "nothing listens on %s", addr)
}

// device is an ordinary Paho client that publishes and, when its connection
// breaks, connects again and sends again what was not acknowledged.
func device(t testing.TB, addr, id string) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetCleanSession(false).
		SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).
		SetAutoReconnect(true).SetMaxReconnectInterval(200 * time.Millisecond).
		SetConnectTimeout(2 * time.Second).SetKeepAlive(2 * time.Second).SetStore(brokertest.Store())
	c := mqtt.NewClient(o)
	// Not only until it is open: Paho then still walks through what it has stored.
	require.NoError(t, mqtt.WaitTokenTimeout(c.Connect(), patience))
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// send publishes and waits until the broker has acknowledged, or until the
// connection broke: what has a QoS is then stored and sent again by Paho.
func send(t testing.TB, c mqtt.Client, topic string, qos byte, retained bool, payload string) {
	t.Helper()
	err := mqtt.WaitTokenTimeout(c.Publish(topic, qos, retained, payload), patience)
	if qos == 0 || errors.Is(err, mqtt.TimedOut) {
		require.NoError(t, err, "publishing to %s", topic)
	}
}

// pub runs mosquitto_pub against addr.
func pub(t testing.TB, addr string, args ...string) {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	out, err := exec.CommandContext(ctx, "mosquitto_pub", append([]string{"-h", host, "-p", port}, args...)...).CombinedOutput()
	require.NoError(t, err, "mosquitto_pub %v: %s", args, out)
}

// sub runs mosquitto_sub for one message and returns what it printed.
func sub(t testing.TB, addr string, args ...string) string {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	out, err := exec.CommandContext(ctx, "mosquitto_sub", append([]string{"-h", host, "-p", port, "-C", "1"}, args...)...).CombinedOutput()
	require.NoError(t, err, "mosquitto_sub %v: %s", args, out)
	return strings.TrimSuffix(string(out), "\n")
}
