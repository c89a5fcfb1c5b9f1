package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
)

// HealthCmd asks the daemon that runs with this configuration how it is.
type HealthCmd struct {
	Config string `type:"path" placeholder:"FILE" help:"The daemon's configuration; without it the page's default address is asked."`
}

// Help is the long help with an example.
func (HealthCmd) Help() string {
	return `Prints a line for each thing the daemon rests on, "well" or "TROUBLE", and one for all else that
Health on the page shows as trouble: a channel that takes no message, a batch file that cannot
be used. The exit status is 1 if the broker cannot be listened to, the record cannot be written
or a batch is not watched, for a container is restarted by it; other trouble leaves it 0 and is
counted in the last line. Run on the daemon's machine, or in its container, as a user who may
read the data folder.

Example:
  ebbline health --config /etc/ebbline/ebbline.yaml`
}

// Run asks /readyz.
func (c *HealthCmd) Run(out io.Writer) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	key, unread := healthKeyOf(cfg.Data)
	items, ready, err := askHealth(cfg.Page.Listen, cfg.Page.CertFile != "", key)
	if err != nil {
		return err
	}
	w := &lines{out: out}
	printHealth(w, items)
	if unread != nil {
		w.line("note     There may be more: to show all that the page shows, run this as a user who may read %s.", cfg.Data)
	}
	if w.err != nil {
		return fmt.Errorf("writing how it is: %w", w.err)
	}
	if !ready {
		return errors.New("the daemon runs but is not ready")
	}
	return nil
}

// foundations is how many items come first that the daemon rests on.
const foundations = 3

// printHealth writes what the daemon rests on, and whatever else is not well.
func printHealth(w *lines, items []page.HealthItem) {
	trouble := 0
	for n, i := range items {
		word := "TROUBLE"
		switch {
		case i.OK && n >= foundations:
			continue
		case i.OK:
			word = "well   "
		case strings.HasPrefix(i.Text, page.NoPhone): // a choice, as the page has it
			word = "note   "
		default:
			trouble++
		}
		w.line("%s  %-8s %s", word, i.Code, strings.ReplaceAll(i.Text, "\n", "\n                  "))
	}
	if trouble > 0 {
		w.line("%s not well.", countWords(trouble))
	}
}

// askHealth asks the daemon that listens at this address; with its key for everything.
func askHealth(listen string, secure bool, key string) (items []page.HealthItem, ready bool, err error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return nil, false, fmt.Errorf("reading the page's address %s: %w", listen, err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1" // not a name: a bare container has none
	}
	url := "http://"
	if secure {
		url = "https://"
	}
	// Its own certificate is not for this name; the key opens nothing but this answer.
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+net.JoinHostPort(host, port)+"/readyz", http.NoBody)
	if err != nil {
		return nil, false, err
	}
	req.Header.Set(healthKeyHeader, key)
	resp, err := client.Do(req)
	if err != nil {
		return nil, false, fmt.Errorf("no daemon answers at %s; is it running, and with this configuration? %w", listen, err)
	}
	defer func() { _ = resp.Body.Close() }()
	if err := json.NewDecoder(resp.Body).Decode(&items); err != nil || len(items) == 0 {
		return nil, false, fmt.Errorf("what answers at %s is no ebbline (status %s)", listen, resp.Status)
	}
	return items, resp.StatusCode == http.StatusOK, nil
}
