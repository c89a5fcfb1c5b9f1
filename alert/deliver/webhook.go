package deliver

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"ebbline/ingest/journal"
)

// WebhookConfig says where a webhook is.
type WebhookConfig struct {
	Name string
	URL  string
	// Token is sent as a bearer token; empty: none.
	Token string
	// Secret signs the body: the header Ebbline-Signature is "sha256=" and the
	// hex HMAC-SHA256 (RFC 2104) of the body as sent. Empty: not signed.
	Secret string
	// Authorities are the certificates that may vouch for the server; nil: the
	// system's.
	Authorities *x509.CertPool
	// Timeout of one attempt; 0: 15 s.
	Timeout time.Duration
}

// Webhook posts alerts as JSON to an address of the brewer's.
type Webhook struct {
	cfg  WebhookConfig
	post poster
}

// NewWebhook checks the configuration; it sends nothing.
func NewWebhook(cfg WebhookConfig) (*Webhook, error) {
	p, err := newPoster(cfg.URL, cfg.Timeout, cfg.Authorities)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", cfg.Name, err)
	}
	return &Webhook{cfg: cfg, post: p}, nil
}

// Name is the channel's name in the configuration.
func (w *Webhook) Name() string { return w.cfg.Name }

// Send posts the note; any 2xx is acceptance. The header Ebbline-Delivery names
// the telling, the same at each attempt.
func (w *Webhook) Send(ctx context.Context, n Note) error {
	body, err := hookBody(n)
	if err != nil {
		return &Error{Fault: Permanent, text: err.Error()}
	}
	h := http.Header{"Content-Type": {"application/json"}, "Ebbline-Delivery": {n.Key()}}
	if w.cfg.Token != "" {
		h.Set("Authorization", "Bearer "+w.cfg.Token)
	}
	if w.cfg.Secret != "" {
		h.Set("Ebbline-Signature", "sha256="+sign(w.cfg.Secret, body))
	}
	return w.post.post(ctx, h, body)
}

// sign is the hex HMAC-SHA256 of body.
func sign(secret string, body []byte) string {
	m := hmac.New(sha256.New, []byte(secret))
	m.Write(body)
	return hex.EncodeToString(m.Sum(nil))
}

// Hook is the webhook's body, contract §8; absent values are null. ABV is in %,
// Gravity in SG. The journal keeps it with the alert, without the link. Kind is
// one of contract §6, or "test", or "cannot-reach": a channel is down; those
// two belong to no batch.
type Hook struct {
	ID        string     `json:"id"`
	Batch     string     `json:"batch"`
	Kind      string     `json:"kind"`
	Severity  string     `json:"severity"`
	Title     string     `json:"title"`
	Message   string     `json:"message"`
	Time      time.Time  `json:"time"`
	CrashBy   *time.Time `json:"crash_by"`
	AckURL    *string    `json:"ack_url"`
	ABV       *float64   `json:"abv"`
	ABVSD     *float64   `json:"abv_sd"`
	Gravity   *float64   `json:"gravity"`
	GravitySD *float64   `json:"gravity_sd"`
}

// hookOf is the alert's own body, as the journal keeps it.
func hookOf(a journal.Alert) (Hook, error) {
	h := Hook{ID: a.ID, Batch: a.Batch, Kind: a.Kind, Severity: a.Severity, Time: a.Raised}
	if len(a.Body) > 0 {
		if err := json.Unmarshal(a.Body, &h); err != nil {
			return h, fmt.Errorf("the body of alert %s cannot be read: %w", a.ID, err)
		}
	}
	h.Title, h.Message = a.Title, a.Message
	return h, nil
}

// hookBody is the alert's body with its link, ready to be sent. Title and
// message are the note's: a repeat says what holds now.
func hookBody(n Note) ([]byte, error) {
	h, err := hookOf(n.Alert)
	if err != nil {
		return nil, err
	}
	h.Time = h.Time.UTC().Truncate(time.Second)
	if h.CrashBy != nil {
		by := h.CrashBy.UTC().Truncate(time.Second)
		h.CrashBy = &by
	}
	h.AckURL = nil
	if n.AckURL != "" {
		h.AckURL = &n.AckURL
	}
	if h.Batch != "" {
		return json.Marshal(h)
	}
	return json.Marshal(struct { // of no batch, such as a test
		Hook
		Batch *string `json:"batch"`
	}{Hook: h})
}
