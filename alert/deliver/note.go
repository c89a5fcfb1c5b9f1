package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ebbline/alert"
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

// thread names what belongs together: the batch and its stage. A later message
// of it takes the place of an earlier one where a channel can do that.
func (n Note) thread() string { return n.Alert.Batch + "/" + n.Alert.Kind }

// Present is an alert as it would be raised now: its words and the figures that
// they rest on, of one moment. nil where a figure is not known.
type Present struct {
	// Past says that it warns of what has come or gone: it is not told.
	Past bool
	// Title and Message; empty if nothing newer is known.
	Title, Message string

	CrashBy    *time.Time
	ABV, ABVSD *float64 // % ABV
	Gravity    *float64 // SG
	GravitySD  *float64
}

// dated makes the note of an alert of which nothing newer is known.
// On another day its "today" is no longer one.
func (n Note) dated(now time.Time, loc *time.Location) Note {
	n.Alert.Title, n.Alert.Message = alert.ReadAt(n.Alert.Title, n.Alert.Raised, now, loc), alert.ReadAt(n.Alert.Message, n.Alert.Raised, now, loc)
	n.Alert.Message = fmt.Sprintf("This was said %s ago; nothing newer is known.\n\n%s", since(now.Sub(n.Alert.Raised)), n.Alert.Message)
	return n
}

// unanswered makes the note of a repeat: its title says that nobody has answered.
func (n Note) unanswered() Note {
	n.Alert.Title = "Unanswered: " + n.Alert.Title
	return n
}

// renewed makes it say what holds now and not what held at first: its words and
// every figure, or neither.
func (n Note) renewed(p Present) (Note, error) {
	h, err := hookOf(n.Alert)
	if err != nil {
		return n, err
	}
	h.CrashBy = p.CrashBy
	h.ABV, h.ABVSD, h.Gravity, h.GravitySD = p.ABV, p.ABVSD, p.Gravity, p.GravitySD
	body, err := json.Marshal(h)
	if err != nil {
		return n, fmt.Errorf("writing the body of alert %s: %w", n.Alert.ID, err)
	}
	n.Alert.Title, n.Alert.Message, n.Alert.Body = p.Title, p.Message, body
	return n, nil
}

// Try sends a message that says that it is only a test.
func Try(ctx context.Context, c Channel, now time.Time) error {
	return c.Send(ctx, Note{N: 1, Alert: journal.Alert{
		ID: fmt.Sprintf("test/%d", now.Unix()), Kind: "test", Severity: "info", Title: "ebbline can reach you here",
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

// AckURL is the link that answers an alert: a page with one button by GET, the
// answer itself by POST. Empty without a public address.
func AckURL(publicURL, token string) string {
	if publicURL == "" || token == "" {
		return ""
	}
	return strings.TrimRight(publicURL, "/") + "/a/" + token
}
