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
	return `Prints a line for each thing the daemon rests on, "well" or "TROUBLE". The exit status is 1 if
the broker cannot be listened to, the record cannot be written or a batch is not watched; other
trouble, as a connection that keeps breaking, leaves it 0. Run on the daemon's machine, or in
its container.

Example:
  ebbline health --config /etc/ebbline/ebbline.yaml`
}

// Run asks /readyz.
func (c *HealthCmd) Run(out io.Writer) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return usageError{err}
	}
	items, ready, err := askHealth(cfg.Page.Listen, cfg.Page.CertFile != "")
	if err != nil {
		return err
	}
	for _, i := range items {
		word := "well   "
		if !i.OK {
			word = "TROUBLE"
		}
		if _, err := fmt.Fprintf(out, "%s  %-8s %s\n", word, i.Code, i.Text); err != nil {
			return err
		}
	}
	if !ready {
		return errors.New("the daemon runs but is not ready")
	}
	return nil
}

// askHealth asks the daemon that listens at this address.
func askHealth(listen string, secure bool) (items []page.HealthItem, ready bool, err error) {
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
	// Its own certificate is not for this name, and nothing secret is sent or shown.
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+net.JoinHostPort(host, port)+"/readyz", http.NoBody)
	if err != nil {
		return nil, false, err
	}
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
