// Package page is the daemon's face: the web page on the brewer's phone and
// the HTTP API that scripts use. It reads the journal, hands what people enter
// to Actions, and decides nothing about beer. Templates, styles, scripts and
// the OpenAPI document are embedded; nothing is loaded from elsewhere.
package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"ebbline/ingest/journal"
	"ebbline/projection"
)

// Options is what a Server needs. Journal, Actions and Now must be set.
type Options struct {
	Journal *journal.Journal
	Actions Actions
	// Health lists what is and is not well; nil: nothing to report.
	Health func() []HealthItem
	// Doubts are what can hardly be meant of a batch; nil: nothing is doubted.
	Doubts func(projection.Batch) []Doubt
	// Now is the daemon's clock; a demo's runs fast.
	Now func() time.Time
	// Wall is the clock of sessions and rate limits; nil: time.Now.
	Wall func() time.Time
	// Location is where the brewer reads the clock; nil: UTC.
	Location *time.Location
	// PublicURL is the address that people reach the page by, if a proxy or a
	// name stands before it ("https://cellar.example").
	PublicURL string
	// Hosts are further host names the page answers to.
	Hosts []string
	// Proxies are the networks of proxies whose X-Forwarded-For and -Proto are
	// believed, besides those on this machine.
	Proxies []netip.Prefix
	// PasswordHash is what HashPassword gave; empty: nobody can log in.
	PasswordHash string
	// KeepPassword makes another hash durable; nil: the password cannot be changed
	// on the page.
	KeepPassword func(ctx context.Context, hash string) error
	// Open lets everybody read and write without a login. Only for a demo that
	// listens on loopback.
	Open bool
	// Describe turns a journal batch's Spec into the batch it describes; nil:
	// Spec is the JSON of a projection.Batch.
	Describe func(journal.Batch) (projection.Batch, error)
	// Written gives the samples that stand in a batch's file: the journal keeps
	// them in its Spec and not among the entries; nil: none.
	Written func(journal.Batch) ([]projection.Sample, error)
	// StaleAfter is the age of the last gravity reading from which a
	// projection is shown grey; 0: two hours.
	StaleAfter time.Duration
	// Units are the scales of a browser that has chosen none.
	Units Units
	// Plan, Sensors, Channels, Quiet, Packaging and Looking are what the daemon knows
	// besides the journal; each may be nil. Packaging says in sentences what keg
	// and bottles would make of a batch's beer.
	Plan      func(PlanRequest) (Plan, error)
	Sensors   func() []KnownSensor
	Channels  func() []ChannelState
	Quiet     func() QuietState
	Packaging func(batch string, u Units) []string
	Looking   func() Looking
	// CatchingUp reports whether a batch's watch takes in what lies in the past; nil: none does.
	CatchingUp func(batch string) bool
	// Unwatched says of a running batch that it is not watched, and what to do; "" if it is, nil: all are.
	Unwatched func(batch string) string
	// Extra are handlers mounted without login, by path: /metrics, /healthz.
	Extra  map[string]http.Handler
	Logger *slog.Logger
}

// HealthItem is one thing about the daemon that a person may need to know.
type HealthItem struct {
	Code string `json:"code"`
	// OK is false while something is wrong.
	OK bool `json:"ok"`
	// Text says it in plain words: what, and what to do.
	Text      string    `json:"text"`
	Since     time.Time `json:"since"`
	DependsOn []string  `json:"depends_on,omitempty"`
	// Ahead: batches have been looked at ahead of the clock, and a person may say
	// that the clock is right now, see Actions.PutRight.
	Ahead bool `json:"ahead_of_clock,omitempty"`
}

// Server answers for the page and the API. Close ends its event streams.
type Server struct {
	opts     Options
	log      *slog.Logger
	loc      *time.Location
	public   *url.URL
	pages    *templates
	assets   map[string]asset
	sessions *sessions
	tokens   *tokens
	login    *loginGuard
	password passwordKept
	// questions bounds how often a belief is asked “what if”.
	questions *rate.Limiter
	handler   http.Handler
	crowd     crowd
	streams   chan struct{} // one slot an open event stream
	done      chan struct{} // closed by Close
	closing   sync.Once
}

// maxStreams bounds the event streams open at once over all browsers.
const maxStreams = 128

// New builds the server; it starts nothing.
func New(o Options) (*Server, error) {
	if o.Journal == nil || o.Actions == nil || o.Now == nil {
		return nil, errors.New("page: journal, actions and clock are needed")
	}
	s := &Server{
		opts: o, log: o.Logger, loc: o.Location,
		streams: make(chan struct{}, maxStreams), done: make(chan struct{}), crowd: crowd{max: maxConns, guests: map[net.Conn]*guest{}},
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.loc == nil {
		s.loc = time.UTC
	}
	if s.opts.Wall == nil {
		s.opts.Wall = time.Now
	}
	if s.opts.StaleAfter == 0 {
		s.opts.StaleAfter = 2 * time.Hour
	}
	if s.opts.Describe == nil {
		s.opts.Describe = describeJSON
	}
	if o.PublicURL != "" {
		u, err := url.Parse(o.PublicURL)
		if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") {
			return nil, fmt.Errorf("page: public_url %q: give a whole address such as https://cellar.example", o.PublicURL)
		}
		s.public = u
	}
	if err := s.load(); err != nil {
		return nil, err
	}
	s.sessions, s.tokens = newSessions(o.Journal), newTokens(o.Journal)
	s.login = newLoginGuard()
	s.password.hash = o.PasswordHash
	s.questions = rate.NewLimiter(perSecond, atOnce)
	h, err := s.build()
	if err != nil {
		return nil, err
	}
	s.handler = h
	return s, nil
}

// load reads the assets.
func (s *Server) load() error {
	var err error
	s.pages = newTemplates(s.funcs())
	s.assets, err = packedAssets()
	return err
}

// Handler answers every request for the page and the API.
func (s *Server) Handler() http.Handler { return s.handler }

// Close ends the open event streams; further ones are refused. The rest goes
// on answering until its http.Server stops.
func (s *Server) Close() { s.closing.Do(func() { close(s.done) }) }

// Configure sets on h the handler, the limits of time and number, and the ending
// of event streams at shutdown.
func (s *Server) Configure(h *http.Server) {
	h.Handler = s.handler
	s.crowd.configure(h)
	h.ReadHeaderTimeout = 10 * time.Second
	h.ReadTimeout = 30 * time.Second
	h.WriteTimeout = 30 * time.Second
	h.IdleTimeout = 2 * time.Minute
	h.MaxHeaderBytes = 32 << 10
	h.RegisterOnShutdown(s.Close)
}

// describeJSON reads Spec as the JSON of a projection.Batch.
func describeJSON(b journal.Batch) (projection.Batch, error) {
	var p projection.Batch
	if err := json.Unmarshal(b.Spec, &p); err != nil {
		return p, fmt.Errorf("read the description of batch %s: %w", b.ID, err)
	}
	return p, nil
}

// settings is the part of the journal that keeps small values.
type settings interface {
	Get(ctx context.Context, key string) (string, bool, error)
	Set(ctx context.Context, key, value string) error
}
