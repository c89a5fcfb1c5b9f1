package broker

import (
	"context"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Law: an error that is ErrNotSent means that nothing has left.
func TestWhatWasNotSentIsSaid(t *testing.T) {
	s, err := NewSubscriber(quick("127.0.0.1:1", &recorder{}), (&recorder{}).handle)
	require.NoError(t, err)
	require.ErrorIs(t, s.Publish(t.Context(), Outgoing{Topic: "cellar/cooler"}), ErrNotSent)
	e := startEmbedded(t, EmbeddedConfig{}, &recorder{})
	require.ErrorIs(t, e.Publish(t.Context(), Outgoing{Topic: "cellar/+"}), ErrNotSent)
	require.ErrorIs(t, e.Publish(t.Context(), Outgoing{Topic: "cellar/cooler", QoS: 3}), ErrNotSent)
	ended, end := context.WithCancel(t.Context())
	end()
	require.ErrorIs(t, e.Publish(ended, Outgoing{Topic: "cellar/cooler"}), ErrNotSent)
	require.NoError(t, e.Close())
	require.ErrorIs(t, e.Publish(t.Context(), Outgoing{Topic: "cellar/cooler"}), ErrNotSent)
}

// Every quality of service goes out, through both kinds of broker.
func TestPublishAtEveryQoS(t *testing.T) {
	e := startEmbedded(t, EmbeddedConfig{}, &recorder{})
	cfg := quick(e.Addr(), &recorder{})
	cfg.Filters = []string{"nothing/here"}
	s := startSubscriber(t, cfg, &recorder{})
	waitReady(t, s)
	other := &recorder{}
	cfg = quick(e.Addr(), other)
	cfg.ClientID, cfg.Filters = "listener", []string{"cellar/cooler"}
	waitReady(t, startSubscriber(t, cfg, other))
	for i, source := range []Source{e, s} {
		for qos := range byte(3) {
			require.NoError(t, source.Publish(t.Context(), Outgoing{Topic: "cellar/cooler", Payload: []byte("on"), QoS: qos}))
			other.wait(t, 3*i+int(qos)+1, "cellar/cooler")
		}
	}
}

// Nobody but the daemon says what a batch is: others' words are acknowledged,
// shown, and passed on to nobody.
func TestOwnTopicsAreNobodyElses(t *testing.T) {
	rec, other := &recorder{}, &recorder{}
	e := startEmbedded(t, EmbeddedConfig{}, rec)
	cfg := quick(e.Addr(), other)
	cfg.Filters = []string{"#"}
	waitReady(t, startSubscriber(t, cfg, other))
	d := device(t, e.Addr(), "liar")
	require.NoError(t, mqtt.WaitTokenTimeout(d.Publish("ebbline/batch/7/state", 1, true, "{}"), patience))
	require.Len(t, rec.refusalList(), 1)
	require.Equal(t, ReasonTopicNotAllowed, rec.refusalList()[0].Reason)
	require.NoError(t, mqtt.WaitTokenTimeout(d.Publish("cellar/float-1", 1, false, "1"), patience))
	other.wait(t, 1, "cellar/float-1")
	assert.Empty(t, other.all("ebbline/batch/7/state"))
	assert.Empty(t, rec.all("ebbline/batch/7/state"))
	require.NoError(t, e.Publish(t.Context(), Outgoing{Topic: "ebbline/batch/7/state", Payload: []byte("{}"), QoS: 1}))
	other.wait(t, 1, "ebbline/batch/7/state")
}
