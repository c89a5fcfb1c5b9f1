package deliver

import (
	"context"
	"strings"
	"time"

	"ebbline/ingest/journal"
)

// Note is one message to one channel.
type Note struct {
	Alert journal.Alert
	// N counts the tellings of the alert on this channel, from 1.
	N int
	// AckURL is the link that answers the alert; empty if it has none.
	AckURL string
}

// Key names this telling, the same at each attempt: a receiver can tell by it
// that a message came twice.
func (n Note) Key() string { return key(n.Alert.ID, n.N) }

// again makes the note of a repeat: its title says that nobody has answered, its
// message is what holds now, if that is known, and not what held at first.
func (n Note) again(latest string) Note {
	if n.N < 2 {
		return n
	}
	n.Alert.Title = "Unanswered: " + n.Alert.Title
	if latest != "" {
		n.Alert.Message = latest
	}
	return n
}

// Try sends a message that says that it is only a test.
func Try(ctx context.Context, c Channel, now time.Time) error {
	return c.Send(ctx, Note{N: 1, Alert: journal.Alert{
		ID: "test", Kind: "test", Severity: "info", Title: "ebbline can reach you here",
		Message: "This is only a test of this channel; nothing is to be done.", Raised: now, Recorded: now,
	}})
}

// Channel is one way to reach a person. Send returns nil once the other side
// has accepted the note, within ctx; it may be called again with the same note.
// An error is an *Error where the channel knows whether to try again; any other
// is taken for temporary. Its text holds no secret: no address beyond the host,
// no token.
type Channel interface {
	// Name is unique among the channels and lasting: the journal holds it.
	Name() string
	Send(ctx context.Context, n Note) error
}

// chooser is a Channel that does not take every severity.
type chooser interface{ wants(severity string) bool }

// only is a channel for some severities.
type only struct {
	Channel
	severities []string
}

// Only makes c take alerts of the given severities alone; none given: of all.
func Only(c Channel, severities ...string) Channel {
	if len(severities) == 0 {
		return c
	}
	return only{c, severities}
}

func (o only) wants(severity string) bool {
	for _, s := range o.severities {
		if s == severity {
			return true
		}
	}
	return false
}

// AckURL is the link that answers an alert: a page with one button by GET, the
// answer itself by POST. Empty without a public address.
func AckURL(publicURL, token string) string {
	if publicURL == "" || token == "" {
		return ""
	}
	return strings.TrimRight(publicURL, "/") + "/a/" + token
}
