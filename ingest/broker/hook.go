package broker

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"

	"ebbline/ingest"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/time/rate"
)

// hook is where the embedded broker asks us: who may come in, what they may do,
// and what becomes of what they publish.
type hook struct {
	mochi.HookBase
	e *Embedded
}

var errTooManySessions = errors.New("too many sessions")

// ID names the hook.
func (h *hook) ID() string { return "ebbline" }

// Provides lists the questions answered here.
func (h *hook) Provides(b byte) bool {
	return bytes.Contains([]byte{
		mochi.OnConnect, mochi.OnConnectAuthenticate, mochi.OnSessionEstablish, mochi.OnACLCheck,
		mochi.OnPacketRead, mochi.OnPublish, mochi.OnDisconnect, mochi.OnWill, mochi.OnWillSent,
	}, []byte{b})
}

// longestKeepAlive is the longest keep-alive, s, of which the broker makes one and a half
// times in its 16 bits: longer ones would come out as next to nothing. They are waited
// for for ever.
const longestKeepAlive = 43690

// OnConnect bounds the sessions kept for clients that are away. With users, a
// client id is its user's own: who takes that of another user's client would
// else end that client's connection and inherit what it subscribed to.
func (h *hook) OnConnect(cl *mochi.Client, _ packets.Packet) error {
	h.e.in.connections.Add(1)
	if cl.State.Keepalive > longestKeepAlive {
		cl.State.Keepalive = 0
	}
	if h.e.hasUsers() {
		cl.ID = url.PathEscape(string(cl.Properties.Username)) + "/" + cl.ID
	}
	if _, known := h.e.server.Clients.Get(cl.ID); !known && h.e.server.Clients.Len() >= 4*h.e.cfg.MaxClients {
		h.e.in.dismiss("too many sessions", cl.ID, cl.Net.Remote)
		return errTooManySessions
	}
	return nil
}

// OnSessionEstablish takes away a last will that its client may not publish: a
// will passes the broker by all other questions. The client itself may stay,
// because a reading is worth more than a will.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	w := cl.Properties.Will
	if w.Flag == 0 {
		return
	}
	why := ""
	switch {
	case !mochi.IsValidFilter(w.TopicName, true):
		why = "topics that begin with $SYS or hold + or # are nobody's to publish to"
	case ingest.Own(w.TopicName):
		why = "only ebbline itself publishes there: let it use another topic"
	case !h.e.allows(cl.Properties.Username, w.TopicName, true):
		why = fmt.Sprintf("user %q may not publish there: add the topic to that user's publish in the configuration (mqtt.users[].publish)", cl.Properties.Username)
	case len(w.Payload) > h.e.in.maxPayload:
		why = fmt.Sprintf("its %d bytes are above the limit of %d", len(w.Payload), h.e.in.maxPayload)
	default:
		return
	}
	cl.Properties.Will = mochi.Will{}
	h.e.in.received.Add(1)
	h.e.in.refuse(w.TopicName, w.Payload, h.e.in.now(), ReasonTopicNotAllowed,
		fmt.Sprintf("the last will of client %q to %q is not kept: %s", cl.ID, w.TopicName, why))
}

// OnWill bounds the messages kept for later subscribers for wills too.
func (h *hook) OnWill(_ *mochi.Client, w mochi.Will) (mochi.Will, error) {
	pk := packets.Packet{TopicName: w.TopicName, Payload: w.Payload}
	w.Retain = w.Retain && h.e.mayRetain(pk)
	return w, nil
}

// OnWillSent stores what a will says, as an external broker would have passed it
// on to us. Its sender is gone, so nobody waits for an acknowledgement.
func (h *hook) OnWillSent(_ *mochi.Client, pk packets.Packet) {
	_, _ = h.e.in.take(h.e.ctx, ingest.Message{Topic: pk.TopicName, Payload: pk.Payload, Arrived: h.e.in.now()}, 0)
}

// OnConnectAuthenticate checks name and password.
func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	why := h.e.letsIn(cl.Net.Remote, pk.Connect.Username, pk.Connect.Password)
	if why == nil {
		h.e.listen.introduced(cl.Net.Conn)
		return true
	}
	h.e.in.dismiss(why.Error(), cl.ID, cl.Net.Remote)
	return false
}

// OnACLCheck says whether a client may publish to a topic (write) or read a filter.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	if cl.Net.Inline || h.e.allows(cl.Properties.Username, topic, write) {
		return true
	}
	if write {
		h.e.in.received.Add(1)
		h.e.in.refuse(topic, nil, h.e.in.now(), ReasonTopicNotAllowed,
			fmt.Sprintf("user %q may not publish to %q: add the topic to that user's publish in the configuration (mqtt.users[].publish)", cl.Properties.Username, topic))
	}
	return false
}

// OnPacketRead slows down a client that publishes too fast, and ends the
// connection of one that publishes where nobody may: the broker would otherwise
// neither pass the message on nor acknowledge it, and the device would wait for
// ever without a word.
func (h *hook) OnPacketRead(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	h.e.in.heard()
	if pk.FixedHeader.Type != packets.Publish {
		return pk, nil
	}
	if !h.e.limit(cl) {
		return pk, packets.ErrRejectPacket
	}
	if !mochi.IsValidFilter(pk.TopicName, true) {
		h.e.in.received.Add(1)
		h.e.in.refuse(pk.TopicName, pk.Payload, h.e.in.now(), ReasonTopicNotAllowed,
			fmt.Sprintf("client %q publishes to %q: topics that begin with $SYS or hold + or # are nobody's to publish to", cl.ID, pk.TopicName))
		return pk, packets.ErrRejectPacket // the only error that mochi does not pass over here
	}
	return pk, nil
}

// OnPublish stores before the broker acknowledges.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	e := h.e
	if cl.Net.Inline { // our own state going out
		return pk, nil
	}
	if ingest.Own(pk.TopicName) { // nobody else says what a batch is
		e.in.received.Add(1)
		e.in.refuse(pk.TopicName, pk.Payload, e.in.now(), ReasonTopicNotAllowed,
			fmt.Sprintf("client %q publishes to %q, where only ebbline itself does: let it use another topic", cl.ID, pk.TopicName))
		h.acknowledged(pk)
		return pk, packets.CodeSuccessIgnore
	}
	what, err := e.in.take(e.ctx, ingest.Message{
		Topic: pk.TopicName, Payload: pk.Payload, Duplicate: pk.FixedHeader.Dup, Arrived: e.in.now(),
	}, pk.FixedHeader.Qos)
	switch {
	case what == failed && pk.FixedHeader.Qos > 0:
		h.dismiss(cl, err)
		return pk, packets.ErrRejectPacket // no acknowledgement; any other error would still give one
	case what == refused:
		h.acknowledged(pk)
		return pk, packets.CodeSuccessIgnore // acknowledged, passed on to nobody
	case what == stored:
		h.acknowledged(pk)
	}
	if pk.FixedHeader.Retain && !e.mayRetain(pk) {
		pk.FixedHeader.Retain = false
	}
	return pk, nil
}

func (h *hook) acknowledged(pk packets.Packet) {
	if pk.FixedHeader.Qos > 0 {
		h.e.in.acknowledged.Add(1)
	}
}

// dismiss ends a client's connection without acknowledging, so that it sends
// again. With MQTT 5 it learns why; MQTT 3.1.1 has no packet for that.
func (h *hook) dismiss(cl *mochi.Client, why error) {
	h.e.in.dismiss("its message could not be stored, so that it sends it again", cl.ID, cl.Net.Remote)
	if cl.Properties.ProtocolVersion == 5 {
		_ = h.e.server.DisconnectClient(cl, packets.ErrServerBusy)
	}
	cl.Stop(why)
}

// OnDisconnect forgets the client and shows a packet that was too large to read.
func (h *hook) OnDisconnect(cl *mochi.Client, err error, _ bool) {
	h.e.limiters.Delete(cl)
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.e.in.received.Add(1)
		h.e.in.refuse("", nil, h.e.in.now(), ReasonPayloadTooLarge,
			fmt.Sprintf("client %q sent a packet above %d bytes and was disconnected: let the device send one reading a message", cl.ID, maxPacket))
	}
}

// limit slows a client down to its rate. False means that the broker closes.
func (e *Embedded) limit(cl *mochi.Client) bool {
	l, ok := e.limiters.Load(cl)
	if !ok {
		l, _ = e.limiters.LoadOrStore(cl, rate.NewLimiter(e.cfg.Rate, e.cfg.Burst))
	}
	limiter := l.(*rate.Limiter)
	if limiter.Allow() {
		return true
	}
	if e.slowed.Add(1) == 1 {
		e.in.log.Warn("client publishes faster than its rate and is slowed down", "client", cl.ID, "per_second", float64(e.cfg.Rate))
	}
	return limiter.Wait(e.ctx) == nil
}

// mayRetain bounds the messages kept for later subscribers.
func (e *Embedded) mayRetain(pk packets.Packet) bool {
	if len(pk.Payload) == 0 { // clears
		return true
	}
	if _, kept := e.server.Topics.Retained.Get(pk.TopicName); kept {
		return true
	}
	return e.server.Topics.Retained.Len() < e.cfg.MaxRetained
}
