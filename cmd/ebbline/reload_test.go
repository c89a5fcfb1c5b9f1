package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// Law: SIGHUP takes up a changed file wholly or not at all, and says which; what
// needs a restart is named in log and health.
func TestAReloadIsAllOrNothing(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	first, second := newSink(t), newSink(t)
	secret := filepath.Join(h.dir, "secret")
	require.NoError(t, os.WriteFile(secret, []byte("gerste\n"), 0o600))
	_, port, err := net.SplitHostPort(h.mqtt)
	require.NoError(t, err)
	write := func(listen, users, sensors, rest string) string {
		path := filepath.Join(h.dir, "ebbline.yaml")
		text := fmt.Sprintf("data: %s\npage: {listen: %q}\nmqtt:\n  listen: %q\n  users: [%s]\nsensors: [%s]\n%s", h.data, h.page, listen, users, sensors, rest)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	user := func(name string) string { return fmt.Sprintf("{name: %s, password_file: %s}", name, secret) }
	sensor := func(name string) string {
		return fmt.Sprintf("{name: %s, topic: cellar/%s, readings: [{quantity: temperature, pointer: \"\", unit: Cel}]}", name, name)
	}
	publish := func(name, topic string) error {
		return exec.Command("mosquitto_pub", "-p", port, "-u", name, "-P", "gerste", "-q", "1", "-t", topic, "-m", "19.5").Run()
	}
	file := write(h.mqtt, user("float-1"), sensor("float-1"), "notify: [{webhook: \""+first.URL+"\"}]\n")
	p := h.serveFile(t, file)
	said := func(want ...string) func() bool {
		return func() bool {
			for _, w := range want {
				if !strings.Contains(p.stderr.String(), w) {
					return false
				}
			}
			return true
		}
	}
	hup := func(want ...string) {
		t.Helper()
		require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
		require.Eventually(t, said(want...), time.Minute, 20*time.Millisecond, "%v\n%s", want, p.stderr)
	}
	require.Eventually(t, func() bool { return publish("float-1", "cellar/float-1") == nil }, time.Minute, 50*time.Millisecond)

	// One fault, and nothing of the file holds.
	write(h.mqtt, user("float-2"), sensor("float-2"), "notify: [{webhook: \""+second.URL+"\", name: other}]\nquiett: {}\n")
	hup("everything is as it was", file+":8:1: ")
	require.Contains(t, p.get("/api/v1/health"), "ebbline.yaml:8:1: configuration: unknown key")
	require.NoError(t, publish("float-1", "cellar/float-1"))
	require.Error(t, publish("float-2", "cellar/float-2"))

	// A file that is well but whose secret is not there changes nothing either.
	write(h.mqtt, "{name: float-1, password_file: /nowhere/at/all}", sensor("float-2"), "")
	hup("/nowhere/at/all")
	require.NoError(t, publish("float-1", "cellar/float-1"))

	// An empty one names no channel, and is what a full disk leaves.
	require.NoError(t, os.WriteFile(file, []byte("\n"), 0o600))
	hup(file + " is empty")
	require.NoError(t, publish("float-1", "cellar/float-1"))

	// A good one: users, sensors, channels and log change; the address does not.
	write(porttest.Address(t), user("float-1")+", "+user("float-2"), sensor("float-1")+", "+sensor("float-2"),
		"notify: [{webhook: \""+second.URL+"\", name: other}]\nlog: {level: warn}\n")
	hup("the configuration was taken up", "key=mqtt.listen")
	require.NoError(t, publish("float-2", "cellar/float-2"))
	require.Contains(t, p.get("/api/v1/sensors"), "float-2")
	require.Error(t, publish("float-2", "cellar/float-1"), "each device its own topics")
	health := p.get("/api/v1/health")
	require.Contains(t, health, "mqtt.listen changed in "+file+" and needs a restart.")
	require.Contains(t, health, "other had no message to take yet.")
	require.NotContains(t, health, "everything is as it was", "the fault of before is over")

	// As it was at the start: nothing waits for a restart any more.
	write(h.mqtt, user("float-1"), sensor("float-1"), "notify: [{webhook: \""+first.URL+"\"}]\n")
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
	require.Eventually(t, func() bool { return !strings.Contains(p.get("/api/v1/health"), "needs a restart") }, time.Minute, 20*time.Millisecond)
	require.Error(t, publish("float-2", "cellar/float-2"))

	// Nobody to tell is taken up, and said.
	write(h.mqtt, user("float-1"), sensor("float-1"), "")
	hup("nobody is told any more")
	p.term()
}

// A phone that is set up, or called by another name, while crash-now is open hears
// of it.
func TestANewChannelHearsOfWhatIsUrgent(t *testing.T) {
	t.Parallel()
	b, s, h := dueBatch(t, time.Hour), newSink(t), newResidence(t)
	h.quick = true
	p := h.serve(t, b.batch)
	publish(t, p.mqtt, "cellar/float-1", b.lines)
	require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/alerts"), `"crash-now"`) }, longEnough, 50*time.Millisecond)
	for i, channel := range []string{"", ", name: pocket"} {
		h.extra = fmt.Sprintf("notify: [{webhook: %q%s}]\n", s.URL+"/hook", channel)
		h.config(t)
		require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
		require.Eventually(t, func() bool { return len(s.of("crash-now")) == i+1 }, longEnough, 20*time.Millisecond, "%s", p.stderr)
	}
	p.term()
	p = h.serve(t)
	requireReadyWithin10s(t, p)
	time.Sleep(3 * time.Second)
	require.Len(t, s.of("crash-now"), 2, "a channel that has told it does not begin again")
	p.term()
}

// The broker's password is changed while the daemon runs: the file says the new one,
// and a reload is enough. A file that is gone changes nothing.
func TestAReloadTakesUpTheBrokersPassword(t *testing.T) {
	t.Parallel()
	m, h := newMosquitto(t), newResidence(t)
	passwords, ours := filepath.Join(filepath.Dir(m.conf), "passwords"), filepath.Join(h.dir, "mqtt")
	change := func(password string) { // the broker restarts
		t.Helper()
		m.stop()
		out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, "ebbline", password).CombinedOutput()
		require.NoError(t, err, "%s", out)
		m.start()
	}
	conf, err := os.ReadFile(m.conf)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(m.conf, []byte(strings.Replace(string(conf), "allow_anonymous true", "allow_anonymous false\npassword_file "+passwords, 1)), 0o600))
	change("gerste")
	require.NoError(t, os.WriteFile(ours, []byte("gerste\n"), 0o600))
	file := filepath.Join(h.dir, "ebbline.yaml")
	text := fmt.Sprintf("data: %s\npage: {listen: %q}\nmqtt: {url: \"tcp://%s\", username: ebbline, password_file: %s}\n", h.data, h.page, m.addr, ours)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	p := h.serveFile(t, file)
	requireReadyWithin10s(t, p)

	change("hopfen")
	says := func(want string) {
		t.Helper()
		require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), want) }, longEnough, 20*time.Millisecond, "%s", p.stderr)
	}
	says("refuses user")
	require.NoError(t, os.Remove(ours))
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
	says("everything is as it was")
	require.NoError(t, os.WriteFile(ours, []byte("hopfen\n"), 0o600))
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
	requireReadyWithin10s(t, p)
	p.term()
}
