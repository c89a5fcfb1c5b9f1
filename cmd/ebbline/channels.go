package main

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"os"
	"time"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// newChannels makes the ladder of ways to reach a person that the configuration
// names. An error says where the channel stands in the file.
func newChannels(cfg *config.Config) ([]deliver.Rung, error) {
	var all []deliver.Rung
	for _, c := range cfg.Notify {
		ch, err := newChannel(c)
		if err != nil {
			return nil, usageError{fmt.Errorf("%s: notify: %w", c.Place, err)}
		}
		all = append(all, deliver.Rung{Channel: ch, Severities: c.Severities, After: c.After, Second: c.Second, PerHour: c.PerHour})
	}
	return all, nil
}

func newChannel(c config.Channel) (deliver.Channel, error) {
	if c.Kind == "mail" {
		return newMail(c)
	}
	address, err := c.URL, error(nil)
	if c.URLFile != "" {
		if address, err = config.Secret(c.URLFile); err != nil {
			return nil, fmt.Errorf("%s: %w", c.Name, err)
		}
	}
	token, err := config.Secret(c.TokenFile)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Name, err)
	}
	key, err := config.Secret(c.SecretFile)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Name, err)
	}
	trusted, err := authorities(c.CAFile)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Name, err)
	}
	switch c.Kind {
	case "webhook":
		return deliver.NewWebhook(deliver.WebhookConfig{Name: c.Name, URL: address, Token: token, Secret: key, Authorities: trusted})
	case "ntfy":
		return deliver.NewNtfy(deliver.NtfyConfig{Name: c.Name, URL: address, Token: token, Authorities: trusted})
	case "shoutrrr":
		return deliver.NewShoutrrr(deliver.ShoutrrrConfig{Name: c.Name, URL: address})
	}
	return nil, fmt.Errorf("%s: no channel is of kind %q", c.Name, c.Kind)
}

func newMail(c config.Channel) (deliver.Channel, error) {
	m := deliver.MailConfig{Name: c.Name, Server: c.Mail.Server, TLS: c.Mail.TLS, User: c.Mail.User, From: c.Mail.From, To: c.Mail.To}
	var err error
	if m.User != "" {
		if m.Password, err = config.Secret(c.Mail.PasswordFile, config.MailPasswordEnv); err != nil {
			return nil, fmt.Errorf("%s: %w", c.Name, err)
		}
	}
	if m.Authorities, err = authorities(c.Mail.CAFile); err != nil {
		return nil, fmt.Errorf("%s: %w", c.Name, err)
	}
	return deliver.NewMail(m)
}

// authorities reads who may vouch for a server; nil without a file: the system's.
func authorities(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("reading the authorities: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM", file)
	}
	return pool, nil
}

// behind reports whether an alert's batch is being brought up to the present.
func (d *daemon) behind(a journal.Alert) bool { return d.keeper.behind(a.Batch) }

// latest is what holds of the alert's batch now, from the one place where the
// watches keep it: sentence and figures are of the same look.
func (d *daemon) latest(ctx context.Context, a journal.Alert) deliver.Present {
	raw, ok, err := d.journal.Get(ctx, page.SentenceKey(a.Batch))
	if err == nil && !ok {
		return deliver.Present{}
	}
	var p deliver.Present
	if err == nil {
		p, err = presentOf([]byte(raw))
	}
	if err != nil {
		d.log.Error("what holds now is not known; a repeat says what held at first", "batch", a.Batch, "error", err)
	}
	return p
}

// presentOf reads what sentence wrote, with the lines of contract §6 in it.
func presentOf(raw []byte) (deliver.Present, error) {
	var p present
	if err := json.Unmarshal(raw, &p); err != nil {
		return deliver.Present{}, fmt.Errorf("reading what holds now: %w", err)
	}
	n := deliver.Present{Message: p.Text}
	var e struct {
		ABV       *float64 `json:"abv"`
		ABVSD     *float64 `json:"abv_sd"`
		Gravity   *float64 `json:"gravity"`
		GravitySD *float64 `json:"gravity_sd"`
	}
	var o struct {
		CrashBy *time.Time `json:"crash_by"`
	}
	if len(p.Estimate) > 0 {
		if err := json.Unmarshal(p.Estimate, &e); err != nil {
			return deliver.Present{}, fmt.Errorf("reading the estimate of now: %w", err)
		}
	}
	if len(p.Projection) > 0 {
		if err := json.Unmarshal(p.Projection, &o); err != nil {
			return deliver.Present{}, fmt.Errorf("reading the projection of now: %w", err)
		}
	}
	n.CrashBy, n.ABV, n.ABVSD, n.Gravity, n.GravitySD = o.CrashBy, e.ABV, e.ABVSD, e.Gravity, e.GravitySD
	return n, nil
}
