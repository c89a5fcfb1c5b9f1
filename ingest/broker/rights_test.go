package broker

import (
	"net"
	"net/url"
	"os/exec"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// willed is a device with a last will that loses its connection without a word.
func willed(t *testing.T, addr, user, id, topic string, retained bool) (die func()) {
	t.Helper()
	line, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	o := mqtt.NewClientOptions().AddBroker("tcp://"+addr).SetClientID(id).SetUsername(user).SetPassword("gerste").
		SetAutoReconnect(false).SetWill(topic, `{"g":1.0000}`, 1, retained).
		SetCustomOpenConnectionFn(mqtt.OpenConnectionFunc(func(_ *url.URL, _ mqtt.ClientOptions) (net.Conn, error) { return line, nil }))
	c := mqtt.NewClient(o)
	require.NoError(t, mqtt.WaitTokenTimeout(c.Connect(), patience))
	return func() {
		_ = line.Close()
		c.Disconnect(10) // too late for its DISCONNECT; it ends the client's own goroutines
	}
}

// Law: a will is published under the rights of its client and never as our own
// state; the client may stay without it.
func TestAWillNeedsTheRightToItsTopic(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{Users: []User{
		{Name: "float-1", Password: "gerste", Publish: []string{"cellar/float-1/#", "ebbline/#"}},
		{Name: "eye", Password: "gerste", Subscribe: []string{"#"}},
	}}, rec)
	die := []func(){
		willed(t, e.Addr(), "float-1", "forger", "ebbline/batch/pale/state", true),
		willed(t, e.Addr(), "float-1", "neighbour", "cellar/float-2", true),
		willed(t, e.Addr(), "float-1", "system", "$SYS/broker/uptime", true),
		willed(t, e.Addr(), "float-1", "honest", "cellar/float-1/gone", true),
	}
	require.Len(t, rec.refusalList(), 3)
	for _, f := range rec.refusalList() {
		assert.Equal(t, ReasonTopicNotAllowed, f.Reason)
		assert.Contains(t, f.Detail, "last will")
	}
	for _, d := range die {
		d()
	}
	rec.wait(t, 1, "cellar/float-1/gone") // handed on, as another broker would have
	assert.JSONEq(t, `{"g":1.0000}`, sub(t, e.Addr(), "-u", "eye", "-P", "gerste", "-t", "cellar/float-1/gone"))
	for _, topic := range []string{"ebbline/batch/pale/state", "cellar/float-2"} {
		_, kept := e.server.Topics.Retained.Get(topic)
		assert.False(t, kept, topic)
	}
	assert.Len(t, rec.all(), 1)
}

// Law: a user reads nothing and publishes nowhere unless it is said.
func TestAUserHasTheRightsThatAreSaid(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	e := startEmbedded(t, EmbeddedConfig{Users: []User{{Name: "float-1", Password: "gerste", Publish: []string{"+/float-1"}}}}, rec)
	_, port, err := net.SplitHostPort(e.Addr())
	require.NoError(t, err)
	out, _ := exec.Command("mosquitto_sub", "-p", port, "-u", "float-1", "-P", "gerste", "-t", "cellar/float-1", "-C", "1", "-W", "5").CombinedOutput()
	assert.Contains(t, string(out), "denied", "SUBACK 0x80; the client exits with 0 all the same")
	pub(t, e.Addr(), "-u", "float-1", "-P", "gerste", "-t", "cellar/float-1", "-m", "1", "-q", "1")
	rec.wait(t, 1, "cellar/float-1")
}

// Law: rights change while the broker runs. Who has others now is disconnected;
// who has not stays; a list that cannot be changes nothing.
func TestRightsChangeWhileTheBrokerRuns(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	old := []User{{Name: "stays", Password: "gerste", Publish: []string{"a"}}, {Name: "goes", Password: "gerste", Publish: []string{"b"}}}
	e := startEmbedded(t, EmbeddedConfig{Users: old}, rec)
	connect := func(user string) mqtt.Client {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + e.Addr()).SetClientID(user).SetUsername(user).SetPassword("gerste").SetAutoReconnect(false))
		require.NoError(t, mqtt.WaitTokenTimeout(c.Connect(), patience))
		t.Cleanup(func() { c.Disconnect(10) })
		return c
	}
	stays, goes := connect("stays"), connect("goes")
	require.ErrorContains(t, e.SetUsers([]User{{Name: "stays"}}), "no password")
	require.True(t, goes.IsConnectionOpen())

	require.NoError(t, e.SetUsers([]User{old[0], {Name: "goes", Password: "hopfen", Publish: []string{"b"}}}))
	require.Eventually(t, func() bool { return !goes.IsConnectionOpen() }, patience, tick)
	time.Sleep(50 * time.Millisecond)
	require.True(t, stays.IsConnectionOpen())
	send(t, stays, "a", 1, false, "1")
	pub(t, e.Addr(), "-u", "goes", "-P", "hopfen", "-t", "b", "-m", "1", "-q", "1")
	rec.wait(t, 1, "b")
}
