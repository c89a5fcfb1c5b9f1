package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
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

// retellWithin bounds how long a message waits for the watches.
const retellWithin = 10 * time.Second

// latest is an alert as its watch would raise it now.
func (d *daemon) latest(ctx context.Context, a journal.Alert) deliver.Present {
	ctx, cancel := context.WithTimeout(ctx, retellWithin)
	defer cancel()
	said := make(chan deliver.Present, 1) // who waits no longer is not written to
	if err := d.keeper.asked(ctx, a.Batch, func(r *kept) { said <- d.keeper.retell(r, a) }); err != nil && !errors.Is(err, context.Canceled) {
		d.log.Error("what holds now is not known; a message says what held at first", "alert", a.ID, "error", err)
	}
	select {
	case p := <-said:
		return p
	default:
		return deliver.Present{}
	}
}

// pastWords say of what time a message is whose batch has not come to the present: by
// the clock, for nobody knows when it is read.
func pastWords(at time.Time, loc *time.Location) string {
	return "This is how the beer stood at " + at.In(loc).Format("15:04 on Mon 2 Jan") + ". What has come since is still being taken in."
}

// retell says an alert anew; only the loop of the watches may ask.
func (k *keeper) retell(r *kept, a journal.Alert) deliver.Present {
	kind := alert.Kind(a.Kind)
	var t *alert.Retold
	if n, err := strconv.Atoi(a.ID[strings.LastIndex(a.ID, "/")+1:]); err == nil {
		past := false
		if t, past = r.watch.Retell(kind, n-r.offset[kind]); t == nil {
			return deliver.Present{Past: past}
		}
	} else { // not of a watch, and taken back as soon as it does not hold
		st := r.watch.State()
		t = &alert.Retold{Title: a.Title, Message: a.Message, Estimate: st.Estimate, Projection: st.Projection}
	}
	h := hookBody(a, r.file.Batch, t.Estimate, t.Projection)
	p := deliver.Present{Title: t.Title, Message: t.Message, CrashBy: h.CrashBy, ABV: h.ABV, ABVSD: h.ABVSD, Gravity: h.Gravity, GravitySD: h.GravitySD}
	if a.Severity == string(alert.Urgent) {
		p.Message = strings.TrimSpace(p.Message + " " + k.aside(a.Batch))
	}
	if behind := k.clock.Now().Sub(r.stands()); behind > historic {
		p.Message = pastWords(r.stands(), k.settings().Location) + " " + p.Message
	}
	return p
}
