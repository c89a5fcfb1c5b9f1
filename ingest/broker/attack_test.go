package broker

import (
	"fmt"
	"net"
	"os"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// guarded is a broker with two users who each have their own topics.
func guarded(t testing.TB, rec *recorder, now func() time.Time) *Embedded {
	t.Helper()
	return startEmbedded(t, EmbeddedConfig{Now: now, Users: []User{
		{Name: "amber", Password: "gerste", Publish: []string{"cellar/amber/#"}, Subscribe: []string{"cellar/amber/#"}},
		{Name: "stout", Password: "hopfen", Publish: []string{"cellar/stout/#"}, Subscribe: []string{"cellar/stout/#"}},
	}}, rec)
}

// from dials from an address of its own; every 127.x.y.z is this machine's.
func from(t testing.TB, local, addr string) *rawConn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(local)}}
	c, err := d.DialContext(t.Context(), "tcp", addr)
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(patience)))
	t.Cleanup(func() { _ = c.Close() })
	return &rawConn{c, t}
}

func loginPacket(id, user, password string) []byte {
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.ClientIdentifier, p.CleanSession = "MQTT", 4, id, false
	p.UsernameFlag, p.PasswordFlag, p.Username, p.Password = true, true, user, []byte(password)
	return encoded(p)
}

func subscribePacket(id uint16, filters ...string) []byte {
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.MessageID, p.Topics = id, filters
	for range filters {
		p.Qoss = append(p.Qoss, 1)
	}
	return encoded(p)
}

// login gives the code of the CONNACK: 0 come in, 5 not authorised.
func (c *rawConn) login(id, user, password string) byte {
	c.t.Helper()
	_, err := c.Write(loginPacket(id, user, password))
	require.NoError(c.t, err)
	ack, err := readPacket(c)
	require.NoError(c.t, err)
	require.Len(c.t, ack, 4)
	return ack[3]
}

// next is the next packet, nil if none comes within that time.
func (c *rawConn) next(d time.Duration) []byte {
	c.t.Helper()
	require.NoError(c.t, c.SetReadDeadline(time.Now().Add(d)))
	p, err := readPacket(c)
	if err != nil {
		require.ErrorIs(c.t, err, os.ErrDeadlineExceeded)
		return nil
	}
	return p
}

// Who has no right to come in gains nothing by not waiting for the answer.
func TestNothingIsDoneBeforeTheLogin(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	e := guarded(t, rec, nil)
	ear := raw(t, e.Addr())
	require.Zero(t, ear.login("ear", "amber", "gerste"))
	_, err := ear.Write(subscribePacket(1, "cellar/amber/#"))
	require.NoError(t, err)
	_, err = readPacket(ear)
	require.NoError(t, err)
	will := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	will.ProtocolName, will.ProtocolVersion, will.ClientIdentifier, will.CleanSession = "MQTT", 4, "x", true
	will.WillFlag, will.WillQos, will.WillTopic, will.WillMessage = true, 1, "cellar/amber/f", []byte("1.0132")
	for name, hello := range map[string][]byte{
		"no name": connectPacket("x", true), "a last will": encoded(will), "wrong password": loginPacket("x", "amber", "hopfen"), "empty password": loginPacket("x", "amber", ""),
		"no such user": loginPacket("x", "nobody", "gerste"), "another case": loginPacket("x", "Amber", "gerste"), "no name, right password": loginPacket("x", "", "gerste"),
	} {
		c := raw(t, e.Addr())
		_, _ = c.Write(append(append(hello, publishPacket("cellar/amber/f", 1, 1, "1.0132")...), subscribePacket(2, "#")...))
		ack, err := readPacket(c)
		require.NoError(t, err, name)
		assert.Equal(t, byte(0x20), ack[0], name)
		assert.NotZero(t, ack[3], name)
		c.ended()
	}
	assert.Nil(t, ear.next(200*time.Millisecond), "nobody hears of it")
	assert.Empty(t, rec.all())
	assert.Equal(t, 1, e.Status().Clients)
}

// A user reads and writes nothing of another's, by any spelling of the filter,
// and does not get hold of another's session by its client id.
func TestNoUserReachesAnothers(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	e := guarded(t, rec, nil)
	device := raw(t, e.Addr())
	require.Zero(t, device.login("float", "stout", "hopfen"))
	_, err := device.Write(subscribePacket(1, "cellar/stout/cooler"))
	require.NoError(t, err)
	_, err = readPacket(device)
	require.NoError(t, err)

	spy := raw(t, e.Addr())
	require.Zero(t, spy.login("float", "amber", "gerste"), "the same client id")
	filters := []string{
		"#", "+/#", "cellar/#", "cellar/stout/#", "cellar/+/f", "+/stout/f", "cellar/stout/f", "$share/g/cellar/stout/#", "$share/g/#",
		"cellar/amber/../stout/f", "/cellar/stout/f", "cellar//stout/f", "CELLAR/STOUT/f", "cellar/amber", "ebbline/batch/+/state", "$SYS/#",
	}
	_, err = spy.Write(subscribePacket(2, filters...))
	require.NoError(t, err)
	ack, err := readPacket(spy)
	require.NoError(t, err)
	for i, f := range filters {
		// cellar/amber/# also matches its parent (MQTT 3.1.1 §4.7.1.2); a path with .. is a topic of its own.
		want := byte(0x80)
		if f == "cellar/amber" || f == "cellar/amber/../stout/f" {
			want = 1
		}
		assert.Equal(t, want, ack[4+i], f)
	}

	_, err = device.Write(publishPacket("cellar/stout/f", 1, 2, "1.0140"))
	require.NoError(t, err)
	ack, err = readPacket(device)
	require.NoError(t, err, "the device is still connected")
	assert.Equal(t, []byte{0x40, 2, 0, 2}, ack)
	require.NoError(t, e.Publish(t.Context(), Outgoing{Topic: "cellar/stout/cooler", Payload: []byte("on"), QoS: 1}))
	assert.NotNil(t, device.next(patience), "it gets its own message")
	assert.Nil(t, spy.next(200*time.Millisecond), "and nobody else does")

	for i, topic := range []string{"cellar/stout/f", "cellar/stout/cooler", "cellar", "ebbline/batch/x/state", "cellar/amberx"} {
		c := raw(t, e.Addr())
		require.Zero(t, c.login(fmt.Sprint("w", i), "amber", "gerste"))
		_, _ = c.Write(publishPacket(topic, 0, 0, "1.0000"))
		require.Eventually(t, func() bool { return len(rec.refusalList()) == i+1 }, patience, tick, topic)
		assert.Equal(t, ReasonTopicNotAllowed, rec.refusalList()[i].Reason)
		assert.Equal(t, topic, rec.refusalList()[i].Topic)
	}
	assert.Len(t, rec.all(), 1, "only the device's own")
	assert.Nil(t, device.next(200*time.Millisecond))
}

// After ten wrong passwords the right one waits too; another user, and the same
// one at another address, do not.
func TestGuessingAPasswordIsSlowedDown(t *testing.T) {
	t.Parallel()
	rec, at := &recorder{}, time.Now()
	e := guarded(t, rec, func() time.Time { return at }) // one try more is let in every five seconds
	tried := func(local, user, password string) byte { return from(t, local, e.Addr()).login("g", user, password) }
	for i := range guessesAtOnce {
		require.EqualValues(t, 5, tried("127.0.0.2", "amber", fmt.Sprint("guess ", i)))
	}
	assert.EqualValues(t, 5, tried("127.0.0.2", "amber", "gerste"), "even the right one")
	assert.Zero(t, tried("127.0.0.2", "stout", "hopfen"), "another user")
	assert.Zero(t, tried("127.0.0.3", "amber", "gerste"), "another address")

	for i := range maxGuessers { // users that do not exist take no memory and push nobody out
		require.ErrorIs(t, e.letsIn("192.0.2.1:9", fmt.Append(nil, "user ", i), []byte("x")), errWrongLogin)
	}
	assert.Len(t, e.wrong.each, 1)

	now := time.Now()
	var g guesses
	yes, no := func() bool { return true }, func() bool { return false }
	for i := range 3 * guessesAtOnce { // one of a /64 is like another
		require.Error(t, g.try("amber", fmt.Sprintf("[2001:db8::%x]:9", i), now, no))
	}
	require.ErrorIs(t, g.try("amber", "[2001:db8::ffff]:9", now, yes), errTooSoon, "which the log tells from a wrong password")
	require.NoError(t, g.try("amber", "[2001:db8:0:1::1]:9", now, yes))
	require.NoError(t, g.try("amber", "[2001:db8::ffff]:9", now.Add(guessEvery), yes), "it passes by itself")
	for i := range 2 * maxGuessers {
		require.ErrorIs(t, g.try("amber", fmt.Sprintf("10.%d.%d.1:9", i>>8, i&255), now, no), errWrongLogin)
	}
	assert.LessOrEqual(t, len(g.each), maxGuessers)
}

// Slow loris: whoever opens connections and says nothing, or not enough, shuts
// out nobody but himself; what is open stays bounded.
func TestSilentConnectionsShutOutNobody(t *testing.T) {
	t.Parallel()
	rec := &recorder{}
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0", MaxClients: 8}, rec.handle)
	require.NoError(t, err)
	e.hello = time.Hour
	require.NoError(t, e.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	for i := range 300 {
		c := from(t, fmt.Sprintf("127.0.1.%d", 1+i%4), e.Addr())
		_, _ = c.Write(connectPacket("a client id that takes its time", true)[:1+i%20])
		if i%50 == 0 {
			healthy(t, e.Addr(), rec)
		}
	}
	healthy(t, e.Addr(), rec)
	st := e.Status()
	assert.NotZero(t, st.Dismissed, "who is turned away is counted")
	assert.Contains(t, st.LastDismissed.Why, "not said who")
	assert.False(t, st.LastDismissed.At.IsZero())
	e.listen.mu.Lock()
	defer e.listen.mu.Unlock()
	assert.LessOrEqual(t, len(e.listen.conns), 8+spareConns)
	each := map[string]int{}
	for _, g := range e.listen.conns {
		each[g.from.String()]++
	}
	for who, n := range each {
		assert.LessOrEqual(t, n, waitingConns, who)
	}
}

// A CONNECT that comes a byte at a time has no more time than a silent one.
func TestADrippingConnectIsClosed(t *testing.T) {
	t.Parallel()
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0"}, (&recorder{}).handle)
	require.NoError(t, err)
	e.hello = 300 * time.Millisecond
	require.NoError(t, e.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	c := raw(t, e.Addr())
	go func() {
		for _, b := range loginPacket("a client id that takes its time", "amber", fmt.Sprintf("%1000d", 1)) {
			if _, err := c.Write([]byte{b}); err != nil {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	}()
	c.ended()
	assert.Zero(t, e.Status().Clients)
}
