package deliver

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// freshConnections has the library, whose services share the default transport, open
// a connection for each message. A router that restarts forgets what is open and
// tells neither end: over HTTP/2 every further attempt would go into such a connection
// until the kernel gives it up after a quarter of an hour.
var _ = freshConnections(http.DefaultTransport)

func freshConnections(t http.RoundTripper) bool {
	if own, ok := t.(*http.Transport); ok {
		own.DisableKeepAlives = true
	}
	return true
}

// ShoutrrrConfig says which service, by an address as shoutrrr has them.
type ShoutrrrConfig struct {
	Name string
	// URL is SERVICE://…; it holds the service's tokens: it is kept out of logs and
	// errors.
	URL string
	// Timeout of one attempt; 0: 15 s.
	Timeout time.Duration
}

// Shoutrrr reaches every service that the shoutrrr library knows.
type Shoutrrr struct {
	cfg     ShoutrrrConfig
	service string

	mu sync.Mutex
	// under are when attempts began that the library has not ended: it has no
	// context, so one that hangs can only be left behind.
	under []time.Time
}

// Services are the names of the services, sorted.
func Services() []string {
	all := (&router.ServiceRouter{}).ListServices()
	all = slices.DeleteFunc(all, func(s string) bool { return s == "logger" }) // it reaches nobody
	slices.Sort(all)
	return all
}

// hanging is how many attempts may hang at once; after hangingFor one is given
// up and counts no more, so that a service that is back is reached.
const (
	hanging    = 16
	hangingFor = 10 * time.Minute
)

// NewShoutrrr checks the address; it sends nothing.
func NewShoutrrr(cfg ShoutrrrConfig) (*Shoutrrr, error) {
	if cfg.Timeout <= 0 {
		cfg.Timeout = defaultTimeout
	}
	scheme, _, ok := strings.Cut(cfg.URL, "://")
	service, _, _ := strings.Cut(strings.ToLower(scheme), "+")
	if !ok || !slices.Contains(Services(), service) {
		return nil, fmt.Errorf("%s: the address begins with the name of a service and ://, one of %s", cfg.Name, strings.Join(Services(), ", "))
	}
	c := &Shoutrrr{cfg: cfg, service: service}
	if service == "matrix" { // logs in when it is made: not before it is needed
		return c, nil
	}
	if _, err := c.sender(); err != nil {
		return nil, fmt.Errorf("%s: this is not a whole address of %s; what it needs is in shoutrrr's documentation of that service", cfg.Name, service)
	}
	return c, nil
}

// Name is the channel's name in the configuration.
func (c *Shoutrrr) Name() string { return c.cfg.Name }

// sender is made anew for each message: a used one says the last title again.
func (c *Shoutrrr) sender() (s types.Service, err error) {
	defer func() {
		if p := recover(); p != nil { // on an address that its parser did not expect
			err = errors.New("the address is not understood")
		}
	}()
	return (&router.ServiceRouter{}).Locate(c.cfg.URL)
}

// Send hands the note to the service.
func (c *Shoutrrr) Send(ctx context.Context, n Note) error {
	began := time.Now()
	if !c.begin(began) {
		return &Error{text: "not sent: earlier attempts still hang"}
	}
	text := n.Alert.Message
	if n.AckURL != "" {
		text += "\n\nAnswer it here: " + n.AckURL
	}
	params := types.Params{}
	params.SetTitle(n.Alert.Title)
	done := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				done <- errors.New("the library failed")
			}
			c.end(began)
		}()
		sender, err := c.sender()
		if err == nil {
			err = sender.Send(text, &params)
		}
		done <- err
	}()
	ctx, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
	defer cancel()
	select {
	case err := <-done:
		if err != nil {
			return c.fault(err)
		}
		return nil
	case <-ctx.Done():
		return lineError(ctx.Err())
	}
}

// begin counts one more attempt; false if too many hang.
func (c *Shoutrrr) begin(now time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.under = slices.DeleteFunc(c.under, func(t time.Time) bool { return now.Sub(t) > hangingFor })
	if len(c.under) >= hanging {
		return false
	}
	c.under = append(c.under, now)
	return true
}

func (c *Shoutrrr) end(began time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if i := slices.Index(c.under, began); i >= 0 {
		c.under = slices.Delete(c.under, i, i+1)
	}
}

// fault says in our own words what the library said in its: those hold tokens,
// and have lost the kind of the error on the way.
func (c *Shoutrrr) fault(err error) *Error {
	text := strings.ToLower(err.Error())
	has := func(words ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
	}
	switch {
	case timedOut(err), has("timeout", "timed out", "deadline exceeded"):
		return &Error{text: "not sent: no answer in time"}
	case has("no such host", "server misbehaving"):
		return &Error{text: "not sent: the name of the server is not known to the network (DNS)"}
	case has("connection refused"):
		return &Error{text: "not sent: connection refused: nothing listens there"}
	case has("x509", "certificate"):
		return &Error{Fault: Curable, text: "not sent: the server's certificate is not accepted"}
	case has("dial tcp", "read tcp", "write tcp", "eof", "reset by peer", "broken pipe", "server closed"):
		return &Error{text: "not sent: the connection broke off"}
	}
	for _, m := range regexp.MustCompile(`\b[45]\d\d\b`).FindAllString(text, -1) {
		if code, err := strconv.Atoi(m); err == nil && http.StatusText(code) != "" {
			return statusFault(code)
		}
	}
	return &Error{Fault: Curable, text: c.service + " did not take it: check the address"}
}
