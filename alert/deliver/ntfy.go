package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"strings"
	"time"
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
	// Timeout of one attempt; 0: 15 s.
	Timeout time.Duration
}

// Ntfy publishes to a topic by ntfy's HTTP interface: the message as the body,
// the rest in headers.
type Ntfy struct {
	cfg  NtfyConfig
	post poster
}

// NewNtfy checks the configuration; it sends nothing.
func NewNtfy(cfg NtfyConfig) (*Ntfy, error) {
	p, err := newPoster(cfg.URL, cfg.Timeout)
	if err != nil {
		return nil, fmt.Errorf("ntfy %s: %w", cfg.Name, err)
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
	if c.cfg.Token != "" {
		h.Set("Authorization", "Bearer "+c.cfg.Token)
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

// priority is ntfy's, 1 to 5; 5 rings through.
func priority(severity string) string {
	switch severity {
	case "urgent":
		return "5"
	case "warning":
		return "4"
	}
	return "3"
}

// tags become a small picture before the title.
func tags(severity string) string {
	switch severity {
	case "urgent":
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
