package broker

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// deployed starts a mosquitto with the configuration that is shipped; only paths
// and ports are other ones.
func deployed(t *testing.T, a *authority) (m *mosquitto, secure string) {
	t.Helper()
	dir := t.TempDir()
	conf, err := os.ReadFile("../../deploy/mosquitto/mosquitto.conf")
	require.NoError(t, err)
	acl, err := os.ReadFile("../../deploy/mosquitto/ebbline.acl")
	require.NoError(t, err)
	write := func(name string, text []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, text, 0o600))
		return path
	}
	passwords := write("passwd", nil)
	for _, user := range []string{"ebbline", "float-1", "float-2", "display"} {
		out, err := exec.Command("mosquitto_passwd", "-b", passwords, user, "gerste").CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	_, cert, key := a.issue("broker", x509.ExtKeyUsageServerAuth)
	m = &mosquitto{t: t, dir: dir, port: porttest.Free(t)}
	secure = "127.0.0.1:" + strconv.Itoa(porttest.Free(t))
	text := string(conf) + "\nuser root\n"
	for from, to := range map[string]string{
		"/etc/mosquitto/ebbline.passwd": passwords, "/etc/mosquitto/ebbline.acl": write("acl", acl),
		"/etc/mosquitto/certs/ca.pem": filepath.Join(a.dir, "ca.pem"), "/etc/mosquitto/certs/broker.pem": cert, "/etc/mosquitto/certs/broker-key.pem": key,
		"/var/lib/mosquitto/": dir + "/", "listener 1883 127.0.0.1": fmt.Sprintf("listener %d 127.0.0.1", m.port),
		"listener 8883": "listener " + strings.TrimPrefix(secure, "127.0.0.1:") + " 127.0.0.1",
	} {
		require.Equal(t, 1, strings.Count(text, "\n"+lineOf(text, from)), from)
		text = strings.Replace(text, from, to, 1)
	}
	write("m.conf", []byte(text))
	m.start()
	t.Cleanup(m.kill)
	return m, secure
}

// lineOf is the line that holds a text.
func lineOf(text, part string) string {
	for line := range strings.Lines(text) {
		if strings.Contains(line, part) {
			return strings.TrimSuffix(line, "\n")
		}
	}
	return "no line holds " + part
}

// Law: with the mosquitto configuration that is shipped, nobody comes in without a
// name, a device writes its own topics only and reads nothing, ebbline reads them
// and writes its states, and what waits survives a restart of the broker.
func TestTheShippedMosquittoConfiguration(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	m, secure := deployed(t, a)
	port := strconv.Itoa(m.port)
	out, err := exec.Command("mosquitto_pub", "-p", port, "-t", "cellar/float-1", "-m", "1", "-q", "1").CombinedOutput()
	require.Error(t, err)
	assert.Contains(t, strings.ToLower(string(out)), "not authori")

	rec := &recorder{}
	cfg := quick(m.addr(), rec)
	cfg.Username, cfg.Password, cfg.Filters = "ebbline", "gerste", []string{"cellar/#"}
	s := startSubscriber(t, cfg, rec)
	waitReady(t, s)
	as := func(user string, more ...string) []string {
		return append([]string{"-u", user, "-P", "gerste", "-q", "1"}, more...)
	}
	pub(t, m.addr(), as("float-1", "-t", "cellar/float-2", "-m", "forged")...)
	pub(t, m.addr(), as("float-1", "-t", "ebbline/batch/pale/state", "-r", "-m", "forged")...)
	pub(t, m.addr(), as("float-1", "-t", "cellar/float-1", "-m", "1.0132")...)
	rec.wait(t, 1, "cellar/float-1")
	pub(t, secure, as("float-2", "--cafile", filepath.Join(a.dir, "ca.pem"), "-t", "cellar/float-2/data", "-m", "1.0131")...)
	rec.wait(t, 1, "cellar/float-2/data")
	assert.Empty(t, rec.all("cellar/float-2"), "another's topic")

	require.NoError(t, s.Publish(t.Context(), Outgoing{Topic: "ebbline/batch/pale/state", Payload: []byte("ours"), QoS: 1, Retain: true}))
	assert.Equal(t, "ours", sub(t, m.addr(), "-u", "display", "-P", "gerste", "-t", "ebbline/#"))
	denied, _ := exec.Command("mosquitto_sub", "-p", port, "-u", "float-1", "-P", "gerste", "-t", "cellar/float-2/#", "-W", "1", "-v").CombinedOutput()
	assert.NotContains(t, string(denied), "1.0131")

	// Over TLS with the house's own authority, as from another machine.
	other := &recorder{}
	far := cfg
	far.URLs, far.TLS, far.ClientID = []string{"ssl://" + secure}, &tls.Config{RootCAs: a.pool, MinVersion: tls.VersionTLS12}, "far"
	waitReady(t, startSubscriber(t, far, other))

	// ebbline is away; the broker is restarted; the reading is there.
	require.NoError(t, s.Close())
	pub(t, m.addr(), as("float-1", "-t", "cellar/float-1", "-m", "waited")...)
	m.stop()
	m.start()
	waitReady(t, startSubscriber(t, cfg, rec))
	rec.wait(t, 2, "cellar/float-1")
}
