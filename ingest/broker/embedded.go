package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"ebbline/ingest"

	mochi "github.com/mochi-mqtt/server/v2"
	"golang.org/x/time/rate"
)

// EmbeddedConfig says where the embedded broker listens and whom it lets in.
// Zero values take the default named beside them.
type EmbeddedConfig struct {
	// Listen is host:port; port 0 takes a free one, told by Addr. 127.0.0.1:1883.
	Listen string
	// Users who may connect. Without any, everybody may, which is allowed on a
	// loopback address only. With any, nobody connects without a password.
	Users []User
	// TLS encrypts the listener; nil: plain.
	TLS *tls.Config
	// MaxClients connected at once, 256. Sessions kept for clients that are away
	// are at most four times as many.
	MaxClients int
	// MaxPayload in bytes, 64 KiB; a larger message is acknowledged, shown and
	// dropped. Packets above 2 MiB end the connection.
	MaxPayload int
	// Rate is how many messages a second one client may publish on average,
	// 1000; Burst how many at once, 2000. A faster client is slowed down, never cut.
	Rate  rate.Limit
	Burst int
	// MaxRetained messages kept for later subscribers, 10,000; further topics
	// are passed on without being kept.
	MaxRetained int
	// HandlerTimeout bounds one Handler call, 4 s.
	HandlerTimeout time.Duration
	// Refused is told of every message that no Handler sees; it must be quick. May be nil.
	Refused func(ingest.Refusal)
	// Logger; nil: silent. Now stamps messages and Status; nil: time.Now.
	Logger *slog.Logger
	Now    func() time.Time
}

const (
	listenerID = "ebbline"
	// maxPacket is read in full so that an oversized message can be refused by
	// name and acknowledged; beyond it the connection ends. Bytes.
	maxPacket = 2 << 20
	// sessionKept is how long a client's session outlives its connection, seconds.
	// Nothing of ours depends on it.
	sessionKept = 60 * 60
	// neverExpires keeps retained messages and half-done QoS 2 exchanges: about
	// ten years, in seconds.
	neverExpires = 10 * 365 * 24 * 60 * 60
)

// Embedded is the Source that is a broker itself, by mochi-mqtt.
//
// Its publish hook calls the Handler before the PUBACK (or PUBREC) is written,
// so that an acknowledgement means "stored"; if it cannot be stored, the client
// is disconnected without one and sends again. Our readings never pass through
// the broker's own subscriptions, whose queues lose messages. Other clients may
// subscribe all the same; they get what those queues hold.
//
// A device that sets the retain flag publishes live here: the flag asks the
// broker to keep the message, it does not say that the message is old. Only a
// replay to a new subscriber is a retained one, and no Handler sees those.
// Messages reach the Handler with Retained false.
type Embedded struct {
	cfg    EmbeddedConfig
	in     *intake
	users  atomic.Pointer[map[string]user]
	server *mochi.Server
	listen *listener
	hello  time.Duration // until a connection has introduced itself
	wrong  guesses

	ctx      context.Context // of handlers; ended by quit
	quit     context.CancelFunc
	limiters sync.Map // *mochi.Client → *rate.Limiter
	slowed   atomic.Uint64

	mu        sync.Mutex
	listening bool
	closed    bool
	since     time.Time
	done      chan struct{} // closed at the end of Close
}

// NewEmbedded checks the configuration. It does not listen yet.
func NewEmbedded(cfg EmbeddedConfig, h Handler) (*Embedded, error) {
	if h == nil {
		return nil, errors.New("embedded broker: no handler")
	}
	cfg.setDefaults()
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	e := &Embedded{cfg: cfg, hello: helloTimeout, done: make(chan struct{})}
	e.in = &intake{handler: h, timeout: cfg.HandlerTimeout, maxPayload: cfg.MaxPayload, onRefused: cfg.Refused, now: cfg.Now, log: cfg.Logger}
	e.in.setDefaults()
	e.since = e.in.now()
	e.users.Store(usersOf(cfg.Users))
	return e, nil
}

func (c *EmbeddedConfig) setDefaults() {
	def := func(n *int, v int) {
		if *n == 0 {
			*n = v
		}
	}
	def(&c.MaxClients, 256)
	def(&c.Burst, 2000)
	def(&c.MaxRetained, 10_000)
	if c.Listen == "" {
		c.Listen = "127.0.0.1:1883"
	}
	if c.Rate == 0 {
		c.Rate = 1000
	}
	if c.HandlerTimeout == 0 {
		c.HandlerTimeout = DefaultHandlerTimeout
	}
}

func (c *EmbeddedConfig) check() error {
	host, _, err := net.SplitHostPort(c.Listen)
	switch {
	case err != nil:
		return fmt.Errorf("address to listen on %q: %w; write it as 127.0.0.1:1883", c.Listen, err)
	case len(c.Users) == 0 && !loopback(host):
		return fmt.Errorf("listening on %s without users would let everybody in the network publish and read: name users with passwords, or listen on 127.0.0.1", c.Listen)
	case c.MaxClients < 0, c.MaxPayload < 0, c.Burst < 0, c.Rate < 0, c.MaxRetained < 0, c.HandlerTimeout < 0:
		return errors.New("a limit is negative")
	}
	return checkUsers(c.Users)
}

// loopback says whether only this machine reaches the host.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Start listens. An address in use is an error.
func (e *Embedded) Start(ctx context.Context) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.listening || e.closed {
		return errors.New("embedded broker: started or closed before")
	}
	raw, err := new(net.ListenConfig).Listen(ctx, "tcp", e.cfg.Listen)
	if err != nil {
		return fmt.Errorf("embedded broker: %w", err)
	}
	e.listen = newListener(raw, e)
	e.ctx, e.quit = context.WithCancel(context.WithoutCancel(ctx))
	e.server = mochi.New(&mochi.Options{
		Capabilities: e.capabilities(), InlineClient: true,
		// Its own log would let any client in the network fill the disk; the hook
		// says what matters. Its figures stop the world once a second by default.
		Logger: slog.New(slog.DiscardHandler), SysTopicResendInterval: 60,
	})
	if err := e.server.AddHook(&hook{e: e}, nil); err != nil {
		_ = raw.Close()
		return fmt.Errorf("embedded broker: %w", err)
	}
	if err := e.server.AddListener(e.listen); err != nil {
		_ = raw.Close()
		return fmt.Errorf("embedded broker: %w", err)
	}
	if err := e.server.Serve(); err != nil {
		_ = raw.Close()
		return fmt.Errorf("embedded broker: %w", err)
	}
	e.listening, e.since = true, e.in.now()
	e.in.log.Info("embedded broker listens", "addr", raw.Addr().String(), "users", len(*e.users.Load()), "tls", e.cfg.TLS != nil)
	go func() {
		select {
		case <-ctx.Done():
			_ = e.Close()
		case <-e.done:
		}
	}()
	return nil
}

func (e *Embedded) capabilities() *mochi.Capabilities {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = int64(e.cfg.MaxClients)
	c.MaximumPacketSize = maxPacket
	c.MaximumClientWritesPending = 1024
	c.MaximumInflight = 1024
	c.ReceiveMaximum = 256
	c.MaximumSessionExpiryInterval = sessionKept
	c.MaximumMessageExpiryInterval = neverExpires
	c.TopicAliasMaximum = 0 // the rights to a topic are checked before an alias is looked up
	return c
}

// Addr is the address listened on, with the real port; empty before Start.
func (e *Embedded) Addr() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.listen == nil {
		return ""
	}
	return e.listen.Address()
}

// Close see Source. Clients are disconnected.
func (e *Embedded) Close() error {
	e.mu.Lock()
	started, first := e.listening, !e.closed
	e.closed = true
	e.mu.Unlock()
	switch {
	case first && started:
		grace := time.AfterFunc(closeGrace, e.quit)
		err := e.server.Close()
		grace.Stop()
		e.quit()
		e.mu.Lock()
		e.listening, e.since = false, e.in.now()
		e.mu.Unlock()
		close(e.done)
		if err != nil {
			return fmt.Errorf("embedded broker: %w", err)
		}
	case first:
		close(e.done)
	default:
		<-e.done
	}
	return nil
}

// Status see Source.
func (e *Embedded) Status() Status {
	st := e.in.status()
	e.mu.Lock()
	defer e.mu.Unlock()
	st.Connected, st.Since = e.listening && !e.closed, e.since
	if e.server != nil {
		st.Clients = int(atomic.LoadInt64(&e.server.Info.ClientsConnected))
	}
	if st.Problem == "" && !st.Connected {
		st.Problem = "the embedded broker does not listen"
	}
	return st
}
