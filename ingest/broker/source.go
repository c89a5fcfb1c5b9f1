// Package broker brings MQTT messages in, so that nothing acknowledged is lost:
// every message is handed to a Handler, and the sender's acknowledgement is
// given only after the Handler has said that what it holds is durable.
//
// Two implementations of Source do it. Subscriber is a client of a broker that
// already stands in the house. Embedded is a broker of its own, for those who
// have none: a device's PUBACK means there that the message is on disk.
//
// The package decides nothing about payloads and stores nothing: decoding is
// package ingest's, keeping is ingest/journal's.
package broker

import (
	"context"
	"time"

	"ebbline/ingest"
)

// Handler decides one message, in two steps, so that the messages of one topic
// stay in order and yet many of them share a commit. Before it returns it has
// given what the message holds its place in the order of arrival. The Settle it
// returns waits until that is durable; nil means that nothing is to be waited
// for: it is durable already, or the message can never be used (then it has been
// counted and kept for viewing: a poison message must not block those behind it).
// An error of either step means "not stored": the message is not acknowledged
// and comes again.
//
// Handlers run concurrently for different topics (Subscriber) or different
// clients (Embedded). Messages of one topic (Subscriber) or of one client
// (Embedded) come one at a time, in order; a Subscriber does not settle one
// before it hands on the next.
// A message may come more than once, with or without its Duplicate flag:
// handlers are idempotent. The payload may be kept but not changed.
//
// A handler returns soon after ctx ends (HandlerTimeout after the call at the
// latest) and never calls the Source that called it. A panic counts as an error.
type Handler func(ctx context.Context, m ingest.Message) (Settle, error)

// Settle returns nil when what a message holds is durable. When ctx has ended it
// returns at once, with the outcome if there is one, else with an error that is
// context.Cause(ctx); then it may be asked again. It may never be called.
type Settle func(ctx context.Context) error

// Source is a stream of messages into a Handler, and the way out for state.
// All methods may be called from any goroutine.
type Source interface {
	// Start begins handing messages to the Handler and returns at once; a broker
	// that is absent is no error but shows in Status. An error means that it
	// can never work as configured (an address in use, a second Start). When ctx
	// ends the source stops as if closed.
	Start(ctx context.Context) error
	// Close takes no further message, lets handlers under way finish for up to
	// two seconds, acknowledges what they stored, and returns when nothing runs
	// any more. What was not acknowledged comes again after the next Start of a
	// new source. Closing twice, or before Start, is harmless.
	Close() error
	// Status tells how it is now. It does not block.
	Status() Status
	// Publish sends a message out once and returns when the broker has taken it
	// (QoS 1 and 2) or it has left (QoS 0), or when ctx ends. Embedded never feeds
	// it back to the own Handler. An error that is ErrNotSent means that nothing
	// has left; with any other it may have. Sending again is the caller's to do.
	Publish(ctx context.Context, o Outgoing) error
}

// Status is what a Source knows about itself. Counters start at zero with the
// process and only grow.
type Status struct {
	// Connected: the connection to the broker is open (Subscriber), or the
	// embedded broker listens.
	Connected bool
	// Since is when Connected took its present value.
	Since time.Time
	// LastPacket is when the last bytes came, a keep-alive answer included; zero
	// if none came yet.
	LastPacket time.Time

	Received      uint64 // messages taken from the wire, repetitions included
	Stored        uint64 // the Handler returned nil
	Acknowledged  uint64 // acknowledged to the sender (QoS 1 and 2)
	HandlerErrors uint64 // the Handler or its Settle returned an error, panicked or timed out
	Refused       uint64 // never given to the Handler: too large, or not allowed there
	Lost          uint64 // QoS 0 and not stored: nobody sends them again
	Connections   uint64 // connections made (Subscriber) or accepted (Embedded)
	SessionsLost  uint64 // Subscriber: reconnected and the broker had forgotten us

	// LastGap is set with SessionsLost: messages published between its two times
	// may be missing.
	LastGap Gap
	// Dismissed counts the connections that the embedded broker has turned away or
	// closed itself; LastDismissed is when it last did, and why in plain words.
	Dismissed     uint64
	LastDismissed Dismissal
	// Clients is the number of clients connected now (Embedded only).
	Clients int
	// Filters are the subscriptions asked for, in the caller's order (Subscriber only).
	Filters []FilterStatus
	// Problem says in plain words what is wrong and what to do; empty if nothing is.
	Problem string
}

// Dismissal is why and when a connection was closed by us.
type Dismissal struct {
	Why string
	At  time.Time
}

// Gap is a stretch of time in which messages may have been lost.
type Gap struct{ From, To time.Time }

// FilterStatus is one subscription.
type FilterStatus struct {
	Filter string
	// Granted: the broker has accepted it on the present connection.
	Granted bool
	// Problem says why not; empty while it is granted or not yet answered.
	Problem string
}

// Reasons for refusing a message before any Handler sees it.
const (
	// ReasonPayloadTooLarge is a payload above the limit.
	ReasonPayloadTooLarge = ingest.TooLarge
	// ReasonTopicNotAllowed is a publish to a topic that is not this client's to write.
	ReasonTopicNotAllowed ingest.Reason = "topic-not-allowed"
)

const (
	// DefaultMaxPayload is the largest payload handed on, in bytes.
	DefaultMaxPayload = ingest.MaxPayload
	// DefaultHandlerTimeout bounds one message from the Handler's call to the end of
	// its Settle. It stays well below
	// keep-alive plus ping time-out, so that a slow disk is not taken for a
	// broken connection.
	DefaultHandlerTimeout = 4 * time.Second
	// closeGrace is how long handlers under way may finish at Close.
	closeGrace = 2 * time.Second
	// keptPayload is how much of a refused payload is kept, in bytes.
	keptPayload = 1 << 10
)
