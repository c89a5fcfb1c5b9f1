package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"sync"
	"time"

	"ebbline/ingest"
)

// SubscriberConfig says which broker to listen to, and how. Zero values take
// the default named beside them.
type SubscriberConfig struct {
	// URLs of one broker or of the nodes of one cluster, tried in order:
	// tcp://, ssl://, ws:// or wss:// host, port 1883 (tcp) or 8883 (ssl) unless
	// given. At least one.
	URLs []string
	// Username and Password for the broker; empty: none.
	Username, Password string
	// ClientID names our session at the broker, which keeps messages for it
	// while we are away. It must stay the same for good and be used by one
	// daemon only: create it once with a random suffix and store it.
	ClientID string
	// Filters are the topic filters to subscribe to; SetFilters changes them.
	Filters []string
	// TLS for ssl and wss; nil: the system's trust.
	TLS *tls.Config
	// KeepAlive is how long the line may be quiet before a ping; whole seconds,
	// 5 s. PingTimeout is how long its answer may take, 3 s. Together they bound
	// how late a dead connection is noticed.
	KeepAlive, PingTimeout time.Duration
	// ConnectTimeout bounds one attempt to connect, 3 s.
	ConnectTimeout time.Duration
	// MaxReconnectInterval bounds the wait between two attempts: 5 s, at most 10 s.
	MaxReconnectInterval time.Duration
	// HandlerTimeout bounds one Handler call, 4 s; less than KeepAlive plus PingTimeout.
	HandlerTimeout time.Duration
	// Concurrency is how many Handlers may run at once, 128; each topic has its
	// fixed place among them.
	Concurrency int
	// MaxPayload in bytes, 64 KiB; larger ones are refused, acknowledged and shown.
	MaxPayload int
	// Refused is told of every message that no Handler sees; it must be quick. May be nil.
	Refused func(ingest.Refusal)
	// Logger; nil: silent. Now stamps messages and Status; nil: time.Now. It must
	// go at the pace of a real clock, because connections do.
	Logger *slog.Logger
	Now    func() time.Time
}

// minReconnect is the first wait after a connection broke.
const minReconnect = 200 * time.Millisecond

// settledAfter is how long a connection must have lived to count as working.
const settledAfter = 10 * time.Second

// Subscriber is the Source that listens to a broker already standing, by Paho.
//
// Each connection is a fresh Paho client in the same lasting session. Paho's
// own reconnecting is left off: its waits cannot be interrupted, so a Close
// would leave goroutines behind for up to the interval, and it cannot tell a
// refused password from a broker that is away.
type Subscriber struct {
	cfg  SubscriberConfig
	urls []*url.URL
	in   *intake

	lanes []chan *delivery
	work  sync.WaitGroup // lane workers
	kick  chan struct{}  // filters changed

	stop     context.CancelFunc // ends the run loop
	quit     context.CancelFunc // ends handlers under way
	done     chan struct{}      // closed when everything has ended
	started  bool
	closed   bool
	lifetime sync.Mutex // guards started, closed, stop

	mu sync.Mutex
	subscriberState
}

// subscriberState is what Status tells and what outlives one connection.
type subscriberState struct {
	link         *link // nil while there is no connection
	since        time.Time
	password     string
	filters      []string
	granted      map[string]byte // by filter: code of the broker's SUBACK on this connection
	stale        map[string]bool // filters to unsubscribe at the next chance
	everOpen     bool            // a connection has been made in this process
	lostAt       time.Time       // when the last connection ended
	shortLives   int             // connections in a row that the broker closed at once
	attempt      error           // why there is no connection
	wait         time.Duration   // until the next attempt
	redelivery   time.Duration   // how long the last connection went on after a message was not stored
	sessionsLost uint64
	gap          Gap
}

// SetPassword is the password from the next connection on; one that stands goes on.
func (s *Subscriber) SetPassword(password string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.password = password
}

// NewSubscriber checks the configuration. It does not connect.
func NewSubscriber(cfg SubscriberConfig, h Handler) (*Subscriber, error) {
	if h == nil {
		return nil, errors.New("subscriber: no handler")
	}
	cfg.setDefaults()
	urls, err := cfg.check()
	if err != nil {
		return nil, fmt.Errorf("subscriber: %w", err)
	}
	s := &Subscriber{cfg: cfg, urls: urls, kick: make(chan struct{}, 1), done: make(chan struct{})}
	s.in = &intake{handler: h, timeout: cfg.HandlerTimeout, maxPayload: cfg.MaxPayload, onRefused: cfg.Refused, now: cfg.Now, log: cfg.Logger}
	s.in.setDefaults()
	s.filters, s.password = unique(cfg.Filters), cfg.Password
	s.stale = map[string]bool{}
	s.since = s.in.now()
	s.lanes = make([]chan *delivery, cfg.Concurrency)
	for i := range s.lanes {
		s.lanes[i] = make(chan *delivery, laneDepth)
	}
	return s, nil
}

func (c *SubscriberConfig) setDefaults() {
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&c.KeepAlive, 5*time.Second)
	def(&c.PingTimeout, 3*time.Second)
	def(&c.ConnectTimeout, 3*time.Second)
	def(&c.MaxReconnectInterval, 5*time.Second)
	def(&c.HandlerTimeout, min(DefaultHandlerTimeout, (c.KeepAlive+c.PingTimeout)/2))
	if c.Concurrency == 0 {
		c.Concurrency = 128
	}
}

// check validates and returns the broker addresses with their ports.
func (c *SubscriberConfig) check() ([]*url.URL, error) {
	switch {
	case len(c.URLs) == 0:
		return nil, errors.New("no broker address: give at least one, such as tcp://127.0.0.1:1883")
	case c.ClientID == "":
		return nil, errors.New("no client id: the broker keeps messages for a client only under a lasting id")
	case len(c.ClientID) > maxTopic:
		return nil, fmt.Errorf("client id of %d bytes: MQTT allows %d", len(c.ClientID), maxTopic)
	case c.KeepAlive < time.Second || c.KeepAlive%time.Second != 0 || c.KeepAlive > 10*time.Minute:
		return nil, fmt.Errorf("keep-alive %v: whole seconds from 1s to 10m", c.KeepAlive)
	case c.PingTimeout <= 0, c.ConnectTimeout <= 0:
		return nil, fmt.Errorf("ping time-out %v and connect time-out %v: both must be above zero", c.PingTimeout, c.ConnectTimeout)
	case c.MaxReconnectInterval <= 0 || c.MaxReconnectInterval > 10*time.Second:
		return nil, fmt.Errorf("longest reconnect interval %v: above zero and at most 10s", c.MaxReconnectInterval)
	case c.HandlerTimeout <= 0 || c.HandlerTimeout >= c.KeepAlive+c.PingTimeout:
		return nil, fmt.Errorf("handler time-out %v: must stay below keep-alive plus ping time-out (%v)", c.HandlerTimeout, c.KeepAlive+c.PingTimeout)
	case c.Concurrency < 1 || c.Concurrency > 1024:
		return nil, fmt.Errorf("concurrency %d: from 1 to 1024", c.Concurrency)
	case c.MaxPayload < 0:
		return nil, fmt.Errorf("largest payload %d: not negative", c.MaxPayload)
	}
	for _, f := range c.Filters {
		if err := checkFilter(f); err != nil {
			return nil, err
		}
	}
	urls := make([]*url.URL, len(c.URLs))
	for i, raw := range c.URLs {
		u, err := brokerURL(raw)
		if err != nil {
			return nil, err
		}
		urls[i] = u
	}
	return urls, nil
}

func brokerURL(raw string) (*url.URL, error) {
	u, err := url.Parse(raw)
	if err != nil {
		// The text of a parse error holds the address, and that may hold a password.
		return nil, errors.New("broker address cannot be read: write it as tcp://HOST:PORT, ssl://, ws:// or wss://")
	}
	ports := map[string]string{"tcp": "1883", "mqtt": "1883", "ssl": "8883", "tls": "8883", "mqtts": "8883", "ws": "80", "wss": "443"}
	port, known := ports[u.Scheme]
	switch {
	case !known:
		return nil, fmt.Errorf("broker address %s: the scheme must be tcp, ssl, ws or wss", u.Redacted())
	case u.Hostname() == "":
		return nil, fmt.Errorf("broker address %s: no host", u.Redacted())
	case u.Port() == "":
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

func unique(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// Start connects in the background and goes on trying for ever.
func (s *Subscriber) Start(ctx context.Context) error {
	s.lifetime.Lock()
	defer s.lifetime.Unlock()
	if s.started || s.closed {
		return errors.New("subscriber: started or closed before")
	}
	s.started = true
	runCtx, stop := context.WithCancel(ctx)
	handleCtx, quit := context.WithCancel(context.WithoutCancel(ctx))
	s.stop, s.quit = stop, quit
	for _, lane := range s.lanes {
		s.work.Go(func() { s.drain(handleCtx, lane) })
	}
	go func() {
		defer close(s.done)
		s.run(runCtx)
		quit()
		s.work.Wait()
		stop()
	}()
	return nil
}

// Close see Source.
func (s *Subscriber) Close() error {
	s.lifetime.Lock()
	started, stop := s.started, s.stop
	s.closed = true
	s.lifetime.Unlock()
	if started {
		stop()
		<-s.done
	}
	return nil
}

// run makes one connection after the other until ctx ends.
func (s *Subscriber) run(ctx context.Context) {
	wait := time.Duration(0)
	for pause(ctx, wait) {
		began := s.in.now()
		end := s.connectOnce(ctx)
		if ctx.Err() != nil {
			return
		}
		wait = s.ended(end, s.in.now().Sub(began), wait)
	}
}

// pause waits and reports whether ctx still stands.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return ctx.Err() == nil
	}
}

// ended notes why a connection or an attempt ended, and says how long to wait.
// The wait doubles while nothing gets better and starts anew after a connection
// that worked.
func (s *Subscriber) ended(end linkEnd, lived, wait time.Duration) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case end.worked && (lived >= settledAfter || end.ours):
		wait = minReconnect
	default:
		wait = min(max(2*wait, minReconnect), s.cfg.MaxReconnectInterval)
	}
	switch {
	case end.worked && !end.ours && lived < settledAfter:
		s.shortLives++
	case lived >= settledAfter:
		s.shortLives = 0
	}
	if s.attempt == nil || s.attempt.Error() != end.err.Error() { // said once while it lasts
		s.in.log.Warn("no connection to the broker", "err", end.err, "client_id", s.cfg.ClientID)
	}
	s.attempt, s.wait = end.err, wait
	return wait
}

// redeliveryWait is how long a connection goes on after its first message that
// was not stored. It doubles from one such connection to the next.
func (s *Subscriber) redeliveryWait() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.in.now().Sub(s.since) >= settledAfter+s.cfg.MaxReconnectInterval {
		s.redelivery = 0 // it has worked for long
	}
	s.redelivery = min(max(2*s.redelivery, minReconnect), s.cfg.MaxReconnectInterval)
	return s.redelivery
}
