package broker

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"net"
	"net/url"
	"sync/atomic"
	"time"

	"ebbline/ingest"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/semaphore"
)

const (
	// laneDepth is how many messages may wait for one Handler. A broker usually
	// sends 20 unacknowledged messages at most.
	laneDepth = 32
	// entriesDepth is how many messages of one connection may await their turn to
	// be acknowledged, entriesBytes what they may hold together: a commit takes all
	// of them, and the more it takes the less each costs.
	entriesDepth = 8192
	entriesBytes = 8 << 20
	// roomRetry is how often is looked for room while there is none.
	roomRetry = 2 * time.Millisecond
	// refusedRetry is how often a refused subscription is asked for again: the
	// broker's owner may have given the right meanwhile.
	refusedRetry = time.Minute
)

// delivery is one message on its way from the wire to its acknowledgement.
type delivery struct {
	packet  mqtt.Message
	message ingest.Message
	link    *link
	settle  Settle        // set before done is closed; nil: nothing to be waited for
	err     error         // set before done is closed, or by settling
	done    chan struct{} // closed when the Handler has returned
	expires time.Time     // when it counts as not stored
	flushed chan struct{} // not nil: no message, but a mark that Close waits for
}

// link is one connection, from dialling to its end.
type link struct {
	sub      *Subscriber
	client   mqtt.Client
	conn     atomic.Pointer[clientConn]
	entries  chan *delivery      // in order of arrival
	room     *semaphore.Weighted // for entries, of entriesBytes
	over     chan struct{}       // closed when the connection has ended
	ctx      context.Context     // ends with it, by errNotYet
	lost     chan error          // Paho's report
	closing  atomic.Bool         // take nothing more
	unstored chan error          // the acknowledger's: a message was not stored
}

// linkEnd is how a connection ended.
type linkEnd struct {
	err    error
	worked bool // the broker had accepted us
	ours   bool // we dropped it ourselves
}

// errNotStored drops a connection so that the broker sends again.
var errNotStored = errors.New("a message could not be stored; connecting again to get it once more")

// connectOnce makes one connection and stays with it until it ends.
func (s *Subscriber) connectOnce(ctx context.Context) linkEnd {
	l := &link{sub: s, entries: make(chan *delivery, entriesDepth), room: semaphore.NewWeighted(entriesBytes), over: make(chan struct{}), lost: make(chan error, 1), unstored: make(chan error, 1)}
	var end context.CancelCauseFunc
	l.ctx, end = context.WithCancelCause(context.WithoutCancel(ctx))
	acker := make(chan struct{})
	go func() { defer close(acker); l.acknowledge() }()
	defer func() { close(l.over); end(errNotYet); <-acker }()

	l.client = mqtt.NewClient(s.options(ctx, l))
	connecting := l.client.Connect().(*mqtt.ConnectToken)
	select {
	case <-connecting.Done():
	case <-ctx.Done():
		l.abort(ctx.Err())
		<-connecting.Done() // within ConnectTimeout for each address
	}
	if err := connecting.Error(); err != nil {
		return linkEnd{err: explain(err, s.cfg.Username, s.cfg.ClientID)}
	}
	s.up(l, connecting.SessionPresent())
	err, ours := l.live(ctx)
	s.down()
	return linkEnd{err: err, worked: true, ours: ours}
}

// live keeps the subscriptions until the connection ends. After a message that
// was not stored it goes on for a while, so that one message that always fails
// does not hold up the others, then connects anew to get that one again.
func (l *link) live(ctx context.Context) (err error, ours bool) {
	s := l.sub
	retry := time.NewTicker(refusedRetry)
	defer retry.Stop()
	if err := l.subscribe(); err != nil {
		l.abort(err)
	}
	var again <-chan time.Time // when to connect anew
	var unstored error
	for {
		select {
		case unstored = <-l.unstored:
			if again == nil {
				again = time.After(s.redeliveryWait())
			}
			continue
		case <-again:
			l.abort(unstored)
			continue
		case err := <-l.lost:
			return fmt.Errorf("connection to the broker lost: %w", err), errors.Is(err, errNotStored)
		case <-ctx.Done():
			l.finish()
			return ctx.Err(), true
		case <-s.kick:
		case <-retry.C:
			if !s.anyRefused() {
				continue
			}
		}
		if err := l.subscribe(); err != nil {
			l.abort(err)
		}
	}
}

// abort drops the connection; Paho then reports it lost.
func (l *link) abort(why error) {
	l.closing.Store(true)
	if c := l.conn.Load(); c != nil {
		c.fail(why)
	}
}

// finish ends a working connection at Close: what is being handled may finish
// and is acknowledged.
func (l *link) finish() {
	l.closing.Store(true)
	mark := &delivery{done: make(chan struct{}), flushed: make(chan struct{})}
	close(mark.done)
	limit := time.NewTimer(closeGrace)
	defer limit.Stop()
	select {
	case l.entries <- mark:
		select {
		case <-mark.flushed:
		case <-limit.C:
		}
	case <-limit.C:
	}
	l.client.Disconnect(250)
	l.abort(context.Canceled)
}

// options are those of one connection.
func (s *Subscriber) options(ctx context.Context, l *link) *mqtt.ClientOptions {
	s.mu.Lock()
	password := s.password
	s.mu.Unlock()
	o := mqtt.NewClientOptions().
		SetClientID(s.cfg.ClientID).SetUsername(s.cfg.Username).SetPassword(password).
		SetCleanSession(false).SetProtocolVersion(4).
		SetAutoAckDisabled(true).
		SetOrderMatters(true). // receive only queues, so order costs nothing
		SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(s.cfg.KeepAlive).SetPingTimeout(s.cfg.PingTimeout).
		SetConnectTimeout(s.cfg.ConnectTimeout).SetWriteTimeout(s.cfg.PingTimeout).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { l.receive(m) }).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.lost <- err }).
		SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) { return l.open(ctx, u) })
	for _, u := range s.urls {
		o.AddBroker(u.String())
	}
	return o
}

func (l *link) open(ctx context.Context, u *url.URL) (net.Conn, error) {
	c, err := dial(ctx, u, l.sub.cfg.ConnectTimeout, l.sub.cfg.TLS)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", u.Redacted(), err)
	}
	conn := newClientConn(c, l.sub.cfg.PingTimeout, l.sub.in.heard)
	l.conn.Store(conn)
	if l.closing.Load() { // closed while dialling
		conn.fail(context.Canceled)
	}
	return conn, nil
}

// receive queues one message, on Paho's own goroutine. It waits for room, which
// slows the broker down, but less long than a keep-alive answer may take: that
// waits behind it.
func (l *link) receive(p mqtt.Message) {
	if l.closing.Load() {
		return
	}
	d := &delivery{packet: p, link: l, done: make(chan struct{}), message: ingest.Message{
		Topic: p.Topic(), Payload: p.Payload(), Retained: p.Retained(), Duplicate: p.Duplicate(), Arrived: l.sub.in.now(),
	}}
	conn := l.conn.Load()
	for !l.room.TryAcquire(d.size()) {
		select {
		case <-conn.gone:
			return
		case <-time.After(roomRetry):
		}
	}
	lane := l.sub.lane(d.message.Topic)
	select {
	case lane <- d: // the usual way, without a timer
	default:
		limit := time.NewTimer(l.sub.cfg.PingTimeout / 2)
		defer limit.Stop()
		select {
		case lane <- d:
		case <-conn.gone:
			return
		case <-limit.C:
			l.room.Release(d.size())
			l.overrun(p)
			return
		}
	}
	select {
	case l.entries <- d:
	case <-conn.gone:
	}
}

// size is about what d holds in memory, in bytes.
func (d *delivery) size() int64 {
	const itself = 512
	if d.packet == nil {
		return 0
	}
	return min(entriesBytes, int64(itself+len(d.message.Topic)+len(d.packet.Payload())))
}

// overrun is a message that found no room in time. The broker repeats it after
// the reconnect, unless it is of QoS 0.
func (l *link) overrun(p mqtt.Message) {
	if p.Qos() == 0 {
		l.sub.in.received.Add(1)
		l.sub.in.lost.Add(1)
		return
	}
	l.abort(fmt.Errorf("the disk is slower than the messages come: %w", errNotStored))
}

// lane keeps the messages of one topic in order.
func (s *Subscriber) lane(topic string) chan<- *delivery {
	h := fnv.New32a()
	_, _ = h.Write([]byte(topic))
	return s.lanes[h.Sum32()%uint32(len(s.lanes))]
}

// drain handles the messages of one lane until ctx ends.
func (s *Subscriber) drain(ctx context.Context, lane <-chan *delivery) {
	for {
		select {
		case <-ctx.Done():
			return
		case d := <-lane:
			if d.link.ended() && d.packet.Qos() > 0 {
				d.err = errNotStored // comes again on the next connection
			} else {
				s.begin(ctx, d)
			}
			close(d.done)
		}
	}
}

func (s *Subscriber) begin(ctx context.Context, d *delivery) {
	d.expires = time.Now().Add(s.cfg.HandlerTimeout)
	ctx, cancel := context.WithDeadline(ctx, d.expires)
	defer cancel()
	_, d.settle, d.err = s.in.begin(ctx, d.message, d.packet.Qos())
}

func (l *link) ended() bool {
	select {
	case <-l.over:
		return true
	default:
		return false
	}
}
