package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/ingest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// conformance is what both implementations of Source promise.
var conformance = []struct {
	name string
	test func(*testing.T, func(*recorder) *rig)
}{
	{"hands over every QoS once when stored", handsOver},
	{"gives no acknowledgement before the handler returns", noEarlyAck},
	{"delivers again what was not stored", redelivers},
	{"a panic is an error and harms no other message", survivesPanic},
	{"a handler that hangs is timed out and asked again", timesOut},
	{"a message that is never stored does not hold up others", othersPass},
	{"what the handler drops does not come again", poisonPasses},
	{"handlers of different devices run at the same time", concurrent},
	{"messages of one device stay in order", ordered},
	{"a retained publish is live, its replay is not", retained},
	{"a payload above 64 KiB is refused by name, its neighbours pass", bigPayload},
	{"state goes out", publishes},
	{"close waits for handlers under way", closeWaits},
	{"close ends a handler that does not return", closeEnds},
	{"life cycle", lifeCycle},
}

func TestConformance(t *testing.T) {
	for _, k := range kinds {
		t.Run(k.name, func(t *testing.T) {
			for _, c := range conformance {
				t.Run(c.name, func(t *testing.T) {
					c.test(t, func(rec *recorder) *rig { return k.rig(t, rec) })
				})
			}
		})
	}
}

func handsOver(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	messages := []struct {
		topic, payload string
		qos            byte
	}{
		{"cellar/float-1", `{"g":1.0132}`, 0},
		{"cellar/float-1", `{"g":1.0131}`, 1},
		{"cellar/float-1", `{"g":1.0130}`, 2},
		{"keller/größe/温度/🍺", "19.5", 1},
		{"cellar/empty", "", 1},
		{"cellar/empty", "", 0},
		{"/", "slash", 1},
		{strings.Repeat("deep/", 200) + "end", "x", 1},
		{"cellar/bytes", "\x00\xff\x80", 2},
	}
	for _, m := range messages {
		send(t, d, m.topic, m.qos, false, m.payload)
	}
	got := rec.wait(t, len(messages))
	require.Len(t, got, len(messages))
	for _, m := range messages {
		assert.Positive(t, rec.times(m.topic, m.payload), "%q on %q", m.payload, m.topic)
	}
	for _, g := range got {
		assert.False(t, g.Retained, g.Topic)
		assert.False(t, g.Duplicate, g.Topic)
		assert.False(t, g.Arrived.IsZero(), g.Topic)
	}
	require.Eventually(t, func() bool { return r.source.Status().Acknowledged == 7 }, patience, tick)
	st := r.source.Status()
	assert.EqualValues(t, len(messages), st.Received)
	assert.EqualValues(t, len(messages), st.Stored)
	assert.Zero(t, st.HandlerErrors+st.Refused+st.Lost)
	assert.False(t, st.LastPacket.IsZero())
	assert.Empty(t, st.Problem)
}

func noEarlyAck(t *testing.T, make func(*recorder) *rig) {
	for _, qos := range []byte{1, 2} {
		release := newGate()
		rec := &recorder{decide: func(ctx context.Context, _ ingest.Message, _ int) error { return release.pass(ctx) }}
		r := make(rec)
		before := r.acks.packets(puback) + r.acks.packets(pubrec)
		token := device(t, r.addr, "float-1").Publish("cellar/float-1", qos, false, "1.0132")
		require.Eventually(t, func() bool { return rec.times("cellar/float-1", "1.0132") >= 1 }, patience, tick)
		time.Sleep(100 * time.Millisecond) // an early one would have come by now
		assert.Equal(t, before, r.acks.packets(puback)+r.acks.packets(pubrec))
		assert.Zero(t, r.source.Status().Acknowledged)
		release.open()
		require.True(t, token.WaitTimeout(patience))
		require.Eventually(t, func() bool { return r.acks.packets(puback)+r.acks.packets(pubrec) == before+1 }, patience, tick)
		require.Eventually(t, func() bool { return r.source.Status().Acknowledged == 1 }, patience, tick)
	}
}

// gate holds handlers back until it is opened.
type gate struct {
	ch   chan struct{}
	once sync.Once
}

func newGate() *gate  { return &gate{ch: make(chan struct{})} }
func (g *gate) open() { g.once.Do(func() { close(g.ch) }) }
func (g *gate) pass(ctx context.Context) error {
	select {
	case <-g.ch:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func redelivers(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{decide: func(_ context.Context, m ingest.Message, nth int) error {
		if m.Topic == "cellar/float-1" && nth < 3 {
			return errors.New("disk full")
		}
		return nil
	}}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	var problem string
	var once sync.Once
	inner := rec.decide
	rec.decide = func(ctx context.Context, m ingest.Message, nth int) error {
		if nth == 2 {
			once.Do(func() { problem = r.source.Status().Problem })
		}
		return inner(ctx, m, nth)
	}
	for qos := byte(1); qos <= 2; qos++ {
		send(t, d, "cellar/float-1", qos, false, fmt.Sprint("at ", qos))
	}
	got := rec.wait(t, 2, "cellar/float-1")
	assert.Len(t, payloads(got), 2)
	assert.Equal(t, 3, rec.times("cellar/float-1", "at 1"))
	assert.True(t, got[0].Duplicate, "a repetition says that it is one")
	assert.Contains(t, problem, "disk full")
	st := r.source.Status()
	assert.GreaterOrEqual(t, st.HandlerErrors, uint64(4))
	r.ready()
	require.Eventually(t, func() bool { return r.source.Status().Problem == "" }, patience, tick)
	send(t, d, "cellar/float-1", 0, false, "lost")
	require.Eventually(t, func() bool { return r.source.Status().Lost == 1 }, patience, tick, "QoS 0 is nobody's to send again")
	assert.Contains(t, r.source.Status().Problem, "disk full")
}

func survivesPanic(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{decide: func(_ context.Context, m ingest.Message, nth int) error {
		if m.Topic == "cellar/broken" && nth == 1 {
			panic("decoder bug")
		}
		return nil
	}}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	send(t, d, "cellar/broken", 1, false, "{")
	send(t, d, "cellar/float-1", 1, false, "1.0132")
	rec.wait(t, 1, "cellar/float-1")
	rec.wait(t, 1, "cellar/broken")
	assert.EqualValues(t, 1, r.source.Status().HandlerErrors)
}

func timesOut(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{limit: time.Second, decide: func(ctx context.Context, _ ingest.Message, nth int) error {
		if nth > 1 {
			return nil
		}
		<-ctx.Done()
		return ctx.Err()
	}}
	r := make(rec)
	send(t, device(t, r.addr, "float-1"), "cellar/float-1", 1, false, "1.0132")
	rec.wait(t, 1)
	assert.EqualValues(t, 1, r.source.Status().HandlerErrors)
}

func othersPass(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{decide: func(_ context.Context, m ingest.Message, _ int) error {
		if m.Topic == "cellar/never" {
			return errors.New("cannot be stored")
		}
		return nil
	}}
	r := make(rec)
	device(t, r.addr, "never").Publish("cellar/never", 1, false, "x")
	require.Eventually(t, func() bool { return r.source.Status().HandlerErrors > 0 }, patience, tick)
	// More than mosquitto sends without an acknowledgement (20).
	d := device(t, r.addr, "float-1")
	for i := range 100 {
		send(t, d, "cellar/float-1", 1, false, fmt.Sprint(i))
	}
	require.Eventually(t, func() bool { return len(payloads(rec.all("cellar/float-1"))) == 100 }, patience, tick)
}

func poisonPasses(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	const poison = 50 // more than mosquitto's window
	for i := range poison {
		send(t, d, "cellar/broken", 1, false, fmt.Sprintf("{not json %d", i))
	}
	send(t, d, "cellar/float-1", 1, false, "1.0132")
	rec.wait(t, 1, "cellar/float-1")
	r.acks.cut()
	send(t, d, "cellar/float-1", 1, false, "1.0131")
	require.Eventually(t, func() bool { return rec.times("cellar/float-1", "1.0131") > 0 }, patience, tick)
	require.Eventually(t, func() bool { return r.source.Status().Acknowledged >= poison }, patience, tick)
	assert.Equal(t, 1, rec.times("cellar/broken", "{not json 0"))
}

func concurrent(t *testing.T, make func(*recorder) *rig) {
	const n = 6
	var mu sync.Mutex
	inside := 0
	all := newGate()
	rec := &recorder{decide: func(ctx context.Context, _ ingest.Message, _ int) error {
		mu.Lock()
		inside++
		if inside == n {
			all.open()
		}
		mu.Unlock()
		defer func() { mu.Lock(); inside--; mu.Unlock() }()
		return all.pass(ctx)
	}}
	r := make(rec)
	for i := range n {
		device(t, r.addr, fmt.Sprint("d", i)).Publish(fmt.Sprintf("cellar/float-%d", i), 1, false, "1.0132")
	}
	got := rec.wait(t, n)
	assert.GreaterOrEqual(t, len(got), n)
}

func ordered(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	const n = 500
	for i := range n {
		d.Publish("cellar/float-1", 1, false, fmt.Sprint(i))
	}
	got := rec.wait(t, n)
	for i, m := range got {
		require.Equal(t, fmt.Sprint(i), string(m.Payload))
	}
}

func retained(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{}
	r := make(rec)
	send(t, device(t, r.addr, "float-1"), "cellar/float-1", 1, true, "1.0132")
	got := rec.wait(t, 1)
	assert.False(t, got[0].Retained, "published now: live")
	assert.Equal(t, "1.0132", sub(t, r.addr, "-t", "cellar/float-1"), "the broker keeps it for others")
	r.restart()
	if r.replays {
		got = rec.wait(t, 2)
		assert.True(t, got[1].Retained, "replayed: not live")
	}
	send(t, device(t, r.addr, "float-2"), "cellar/float-2", 1, false, "1.0120")
	rec.wait(t, 1, "cellar/float-2")
	if !r.replays {
		assert.Len(t, rec.all("cellar/float-1"), 1)
	}
}

func bigPayload(t *testing.T, make func(*recorder) *rig) {
	rec := &recorder{}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	send(t, d, "cellar/big", 1, false, strings.Repeat("a", DefaultMaxPayload))
	rec.wait(t, 1, "cellar/big")
	send(t, d, "cellar/big", 1, false, strings.Repeat("b", DefaultMaxPayload+1))
	send(t, d, "cellar/big", 2, true, strings.Repeat("c", 1<<20))
	send(t, d, "cellar/float-1", 1, false, "1.0132")
	rec.wait(t, 1, "cellar/float-1")
	require.Eventually(t, func() bool { return len(rec.refusalList()) >= 2 }, patience, tick)
	list := rec.refusalList()
	require.Len(t, list, 2)
	for _, f := range list {
		assert.Equal(t, ReasonPayloadTooLarge, f.Reason)
		assert.Equal(t, "cellar/big", f.Topic)
		assert.Len(t, f.Payload, keptPayload)
		assert.Contains(t, f.Detail, "above the limit of 65536")
	}
	assert.EqualValues(t, 2, r.source.Status().Refused)
	assert.Len(t, rec.all("cellar/big"), 1)
}

func publishes(t *testing.T, make func(*recorder) *rig) {
	r := make(&recorder{})
	require.NoError(t, r.source.Publish(t.Context(), Outgoing{Topic: "ebbline/batch/7/state", Payload: []byte(`{"abv":0.41}`), QoS: 1, Retain: true}))
	assert.Equal(t, `{"abv":0.41}`, sub(t, r.addr, "-t", "ebbline/batch/+/state"), "retained")
	require.ErrorContains(t, r.source.Publish(t.Context(), Outgoing{Topic: "ebbline/+/state", QoS: 1}), "wildcard")
	require.ErrorContains(t, r.source.Publish(t.Context(), Outgoing{Topic: "", QoS: 1}), "empty topic")
	require.ErrorContains(t, r.source.Publish(t.Context(), Outgoing{Topic: "a\x00b", QoS: 1}), "null character")
	require.NoError(t, r.source.Close())
	require.Error(t, r.source.Publish(t.Context(), Outgoing{Topic: "ebbline/batch/7/state", QoS: 1, Retain: true}))
}

func closeWaits(t *testing.T, make func(*recorder) *rig) {
	entered, release := newGate(), newGate()
	rec := &recorder{decide: func(ctx context.Context, _ ingest.Message, _ int) error {
		entered.open()
		return release.pass(ctx)
	}}
	r := make(rec)
	device(t, r.addr, "float-1").Publish("cellar/float-1", 1, false, "1.0132")
	<-entered.ch
	closed := newGate()
	go func() { assert.NoError(t, r.source.Close()); closed.open() }()
	select {
	case <-closed.ch:
		t.Fatal("closed with a handler under way")
	case <-time.After(50 * time.Millisecond):
	}
	release.open()
	<-closed.ch
	assert.Len(t, rec.all(), 1)
	assert.False(t, r.source.Status().Connected)
}

func closeEnds(t *testing.T, make func(*recorder) *rig) {
	entered := newGate()
	rec := &recorder{limit: time.Second, decide: func(ctx context.Context, _ ingest.Message, nth int) error {
		if nth > 1 {
			return nil
		}
		entered.open()
		<-ctx.Done()
		return ctx.Err()
	}}
	r := make(rec)
	d := device(t, r.addr, "float-1")
	d.Publish("cellar/float-1", 1, false, "1.0132")
	<-entered.ch
	require.NoError(t, r.source.Close())
	assert.Empty(t, rec.all())
	r.start()
	rec.wait(t, 1) // not acknowledged, so it comes again
}

func lifeCycle(t *testing.T, make func(*recorder) *rig) {
	r := make(&recorder{})
	require.ErrorContains(t, r.source.Start(t.Context()), "started or closed before")
	require.NoError(t, r.source.Close())
	require.NoError(t, r.source.Close())
	require.Error(t, r.source.Start(t.Context()))

	unstarted := r.makeSource()
	assert.False(t, unstarted.Status().Connected)
	require.NoError(t, unstarted.Close())

	ctx, cancel := context.WithCancel(t.Context())
	s := r.makeSource()
	require.NoError(t, s.Start(ctx))
	require.Eventually(t, func() bool { return ready(s) }, patience, tick)
	cancel()
	require.Eventually(t, func() bool { return !s.Status().Connected }, patience, tick, "the context's end is a close")
	require.NoError(t, s.Close())
}
