package deliver

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// NtfyConfig says which topic of which ntfy server.
type NtfyConfig struct {
	Name string
	// URL is the topic's whole address. Whoever knows it can read along: it is
	// kept out of logs and errors.
	URL string
	// Token is sent as a bearer token; empty: none.
	Token string
	// Authorities are the certificates that may vouch for the server; nil: the
	// system's.
	Authorities *x509.CertPool
	// Timeout of one attempt; 0: 15 s.
	Timeout time.Duration
}

// Ntfy publishes to a topic by ntfy's HTTP interface: the message as the body,
// the rest in headers. Messages of one thread carry one sequence id, by which a
// later one takes the place of an earlier one on the phone (ntfy 2.16 or later;
// older servers ignore it). What is said here of the protocol is from memory of
// its published documentation.
type Ntfy struct {
	cfg  NtfyConfig
	post poster
}

// NewNtfy checks the configuration; it sends nothing.
func NewNtfy(cfg NtfyConfig) (*Ntfy, error) {
	p, err := newPoster(cfg.URL, cfg.Timeout, cfg.Authorities)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", cfg.Name, err)
	}
	return &Ntfy{cfg: cfg, post: p}, nil
}

// Name is the channel's name in the configuration.
func (c *Ntfy) Name() string { return c.cfg.Name }

// ntfyLimit is the length from which a server makes a message an attachment.
const ntfyLimit = 4096

// Send publishes the note. Accepted means that the server has it, not that a
// person has seen it.
func (c *Ntfy) Send(ctx context.Context, n Note) error {
	h := http.Header{
		"Content-Type": {"text/plain; charset=utf-8"},
		"Title":        {mime.BEncoding.Encode("utf-8", n.Alert.Title)},
	}
	h["Priority"], h["Tags"] = []string{priority(n.Alert.Severity)}, []string{tags(n.Alert.Severity)}
	if n.Alert.Batch != "" {
		h.Set("X-Sequence-ID", sequence(n.thread()))
	}
	if c.cfg.Token != "" {
		h.Set("Authorization", "Bearer "+c.cfg.Token)
	}
	if n.N > 1 && n.Alert.Severity == urgent && n.Alert.Batch != "" {
		c.clear(ctx, n)
	}
	if n.AckURL != "" {
		actions, err := json.Marshal([]any{struct {
			Action string `json:"action"`
			Label  string `json:"label"`
			URL    string `json:"url"`
			Clear  bool   `json:"clear"`
		}{"view", "Answer", n.AckURL, true}})
		if err != nil {
			return &Error{Fault: Permanent, text: "the link cannot be written"}
		}
		h.Set("Click", n.AckURL)
		h.Set("Actions", string(actions))
	}
	return c.post.post(ctx, h, []byte(cut(n.Alert.Message, ntfyLimit)))
}

// clear takes the thread's last message off the phone before it is told again:
// a notification that is replaced while it is shown may stay silent there, and a
// repeat must ring. Nothing depends on it: a server that cannot do it says so,
// and the message is published all the same.
func (c *Ntfy) clear(ctx context.Context, n Note) {
	address, err := url.Parse(c.cfg.URL)
	if err != nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	h := http.Header{}
	if c.cfg.Token != "" {
		h.Set("Authorization", "Bearer "+c.cfg.Token)
	}
	_ = c.post.do(ctx, http.MethodDelete, address.JoinPath(sequence(n.thread())).String(), h, nil)
}

// sequence is a thread's name as ntfy takes it: at most 64 of A–Z, a–z, 0–9, -
// and _.
func sequence(thread string) string {
	plain := strings.Map(func(r rune) rune {
		if r < 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_') {
			return r
		}
		return '_'
	}, thread)
	sum := sha256.Sum256([]byte(thread)) // two names that differ only in what was replaced stay apart
	return plain[:min(len(plain), 50)] + "-" + hex.EncodeToString(sum[:4])
}

// priority is ntfy's, 1 to 5; 5 rings through.
func priority(severity string) string {
	switch severity {
	case urgent:
		return "5"
	case "warning":
		return "4"
	}
	return "3"
}

// tags become a small picture before the title.
func tags(severity string) string {
	switch severity {
	case urgent:
		return "rotating_light"
	case "warning":
		return "warning"
	}
	return "information_source"
}

// cut shortens s to at most n bytes, at a character's edge.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	s = s[:n-len("…")]
	for !utf8.ValidString(s) {
		s = s[:len(s)-1]
	}
	return strings.TrimRight(s, " ") + "…"
}
