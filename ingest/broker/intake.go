package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ebbline/ingest"

	"golang.org/x/time/rate"
)

// outcome is what became of one message.
type outcome int

const (
	stored  outcome = iota // durable or deliberately dropped: acknowledge
	refused                // never usable: acknowledge, or the sender repeats it for ever
	failed                 // not stored: do not acknowledge
)

// intake hands messages to the Handler and keeps count. Both sources use it.
type intake struct {
	handler    Handler
	timeout    time.Duration
	maxPayload int // bytes
	onRefused  func(ingest.Refusal)
	now        func() time.Time
	log        *slog.Logger
	// quiet thins out what others can make us log: the counters count it all.
	quiet rate.Sometimes

	received, stored, acknowledged, handlerErrors, refused, lost, connections atomic.Uint64
	lastPacket                                                                atomic.Int64 // Unix ns; 0: none

	mu      sync.Mutex
	failing map[string]failure // by topic, until a message of that topic is stored

	dismissed     uint64
	lastDismissed Dismissal
}

type failure struct {
	err error
	at  time.Time
}

// failureKept is how long a topic counts as failing after its last failure: a
// sender that never repeats its message would else be shown for ever.
const failureKept = 5 * time.Minute

// maxFailing bounds the failing map; a full disk fails every topic alike.
const maxFailing = 100

func (in *intake) setDefaults() {
	if in.timeout == 0 {
		in.timeout = DefaultHandlerTimeout
	}
	if in.maxPayload == 0 {
		in.maxPayload = DefaultMaxPayload
	}
	if in.now == nil {
		in.now = time.Now
	}
	if in.log == nil {
		in.log = slog.New(slog.DiscardHandler)
	}
	in.failing = map[string]failure{}
	in.quiet = rate.Sometimes{First: 20, Interval: 10 * time.Second}
}

// heard notes that bytes came from the other side.
func (in *intake) heard() { in.lastPacket.Store(in.now().UnixNano()) }

// take hands one message on, waits until it is settled and says what became of it.
func (in *intake) take(ctx context.Context, m ingest.Message, qos byte) (outcome, error) {
	ctx, cancel := context.WithTimeout(ctx, in.timeout)
	defer cancel()
	what, settle, err := in.begin(ctx, m, qos)
	if settle == nil {
		return what, err
	}
	return in.settled(m.Topic, qos, in.guarded(m.Topic, func() error { return settle(ctx) }))
}

// begin hands one message on. Without a Settle what became of it is known already.
func (in *intake) begin(ctx context.Context, m ingest.Message, qos byte) (outcome, Settle, error) {
	in.received.Add(1)
	if len(m.Payload) > in.maxPayload {
		in.refuse(m.Topic, m.Payload, m.Arrived, ReasonPayloadTooLarge,
			fmt.Sprintf("payload of %d bytes is above the limit of %d: let the device send one reading a message", len(m.Payload), in.maxPayload))
		return refused, nil, nil
	}
	var settle Settle
	err := in.guarded(m.Topic, func() (err error) { settle, err = in.handler(ctx, m); return err })
	if err == nil && settle != nil {
		return stored, settle, nil
	}
	what, err := in.settled(m.Topic, qos, err)
	return what, nil, err
}

// settled keeps count of what became of a message.
func (in *intake) settled(topic string, qos byte, err error) (outcome, error) {
	if err == nil {
		in.stored.Add(1)
		in.mu.Lock()
		delete(in.failing, topic)
		in.mu.Unlock()
		return stored, nil
	}
	in.handlerErrors.Add(1)
	if qos == 0 {
		in.lost.Add(1)
	}
	in.mu.Lock()
	_, again := in.failing[topic]
	if again || len(in.failing) < maxFailing {
		in.failing[topic] = failure{err, in.now()}
	}
	in.mu.Unlock()
	if !again { // said once; a full disk must not be filled with words about it
		in.quiet.Do(func() { in.log.Error("message not stored, not acknowledged", "topic", topic, "err", err) })
	}
	return failed, err
}

// guarded turns a panic of one of the Handler's steps into an error: one message
// that breaks a decoder must not take down those of other sensors.
func (in *intake) guarded(topic string, step func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			in.log.Error("handler panicked", "topic", topic, "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("handling a message on %s panicked: %v", topic, p)
		}
	}()
	return step()
}

// refuse counts a message that no Handler will see, and shows it.
func (in *intake) refuse(topic string, payload []byte, at time.Time, why ingest.Reason, detail string) {
	in.refused.Add(1)
	in.quiet.Do(func() { in.log.Warn("message refused", "topic", topic, "reason", string(why), "detail", detail) })
	if in.onRefused == nil {
		return
	}
	kept := append([]byte(nil), payload[:min(len(payload), keptPayload)]...)
	in.onRefused(ingest.Refusal{Topic: topic, Reason: why, Detail: detail, Payload: kept, Arrived: at})
}

// dismiss counts a connection that we close or do not let in, and says why.
func (in *intake) dismiss(why, client, remote string) {
	in.mu.Lock()
	in.dismissed++
	in.lastDismissed = Dismissal{why, in.now()}
	in.mu.Unlock()
	in.quiet.Do(func() { in.log.Warn("connection refused: "+why, "client", client, "remote", remote) })
}

// problem says whether messages are failing now, in plain words.
func (in *intake) problem() string {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	maps.DeleteFunc(in.failing, func(_ string, f failure) bool { return now.Sub(f.at) > failureKept })
	if len(in.failing) == 0 {
		return ""
	}
	topics := slices.Sorted(maps.Keys(in.failing))
	f := in.failing[topics[0]]
	text := f.err.Error()
	if errors.Is(f.err, context.DeadlineExceeded) {
		text = fmt.Sprintf("storing took longer than %v (%v)", in.timeout, f.err)
	}
	return fmt.Sprintf("readings are not being stored (%d topics, among them %s): %s. Nothing is acknowledged until that works; check the disk", len(topics), topics[0], text)
}

// status fills in what both sources share.
func (in *intake) status() Status {
	s := Status{
		Received: in.received.Load(), Stored: in.stored.Load(), Acknowledged: in.acknowledged.Load(),
		HandlerErrors: in.handlerErrors.Load(), Refused: in.refused.Load(), Lost: in.lost.Load(),
		Connections: in.connections.Load(), Problem: in.problem(),
	}
	if ns := in.lastPacket.Load(); ns != 0 {
		s.LastPacket = time.Unix(0, ns).UTC()
	}
	in.mu.Lock()
	s.Dismissed, s.LastDismissed = in.dismissed, in.lastDismissed
	in.mu.Unlock()
	return s
}
