package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
)

const (
	// pingPatience bounds one ping, stuckPatience the look before it.
	pingPatience  = 10 * time.Second
	stuckPatience = 10 * time.Second
)

// watcher tells someone outside, from time to time, that the daemon works; when
// it does not, it says nothing, and that is what the one outside acts on. It runs
// on a goroutine of its own and delays nothing.
type watcher struct {
	every  time.Duration
	url    string // may be a secret
	stuck  func(context.Context) string
	log    *slog.Logger
	client *http.Client
	stop   func() // ends run

	mu      sync.Mutex
	problem string // "" while pings are sent and taken
	since   time.Time
}

// newWatcher makes the one that the configuration asks for, nil for none.
func newWatcher(d *daemon, c *config.Config) (*watcher, error) {
	if !c.Alive.On() {
		return nil, nil
	}
	address := c.Alive.URL
	if from := c.Alive.URLFile; from != "" {
		var err error
		if address, err = config.Secret(from); err != nil {
			return nil, fmt.Errorf("alive: %w", err)
		}
	}
	fresh := http.DefaultTransport.(*http.Transport).Clone()
	fresh.DisableKeepAlives = true // what was open is lost when a router restarts, and neither end hears of it
	return &watcher{
		every: c.Alive.Every, url: strings.TrimSpace(address), stuck: d.stuck, log: d.log, since: time.Now(),
		client: &http.Client{
			Transport: fresh, Timeout: pingPatience,
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

// run pings until ctx ends; five times as often while something is wrong, so
// that the one outside hears soon that it is over.
func (w *watcher) run(ctx context.Context) {
	for {
		problem := w.once(ctx)
		if ctx.Err() != nil {
			return
		}
		w.note(problem)
		wait := w.every
		if problem != "" {
			wait = max(w.every/5, time.Second)
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// once pings if everything moves, and says why it did not or could not.
func (w *watcher) once(ctx context.Context) string {
	looking, cancel := context.WithTimeout(ctx, stuckPatience)
	why := w.stuck(looking)
	cancel()
	if why != "" {
		return "The outside watcher is not told that all is well: " + why
	}
	if err := w.ping(ctx); err != nil {
		return fmt.Sprintf("The outside watcher (alive.url) cannot be told that all is well: %v. It may raise an alarm of its own.", err)
	}
	return ""
}

func (w *watcher) ping(ctx context.Context) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, w.url, http.NoBody)
	if err != nil {
		return errors.New("its address cannot be used")
	}
	resp, err := w.client.Do(req)
	if err != nil {
		var full *url.Error // holds the address, and that may be a secret
		if errors.As(err, &full) {
			err = full.Err
		}
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	_, _ = io.CopyN(io.Discard, resp.Body, 4096)
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("it answers %s", resp.Status)
	}
	return nil
}

func (w *watcher) note(problem string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if (w.problem == "") != (problem == "") {
		w.since = time.Now()
		if problem != "" {
			w.log.Warn(problem)
		}
	}
	w.problem = problem
}

func (w *watcher) health() page.HealthItem {
	w.mu.Lock()
	defer w.mu.Unlock()
	return item("alive", w.problem, "The outside watcher is told every "+config.Span(w.every)+" that all is well.", w.since)
}
