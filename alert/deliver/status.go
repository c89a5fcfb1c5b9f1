package deliver

import (
	"encoding/json"
	"time"
)

const (
	// deadAfter is how long a channel fails by what passes by itself before the
	// next one stands in for it.
	deadAfter = 30 * time.Second
	// deadAttempts at one message mean the same, also after a restart.
	deadAttempts = 5
	// lostAfter is how long it fails before another channel is told of that.
	lostAfter = 10 * time.Minute
)

// Status is how a channel fares. Times are of the outbox's clock and outlast a
// restart; zero if there was none.
type Status struct {
	Name string
	// LastSuccess is when a message was accepted last: by the service, which is
	// not yet seen by a person.
	LastSuccess time.Time
	LastFailure time.Time
	LastError   string // of LastFailure; no secrets
	// FailingSince is the first failure since LastSuccess, zero if all is well.
	FailingSince time.Time
	// Unreachable is a channel that has failed for ten minutes or more.
	Unreachable bool
	// ToldBy is the channel that was told so, "" if none was yet.
	ToldBy string
	// Held counts messages that wait because the channel has had its messages of
	// this hour.
	Held int
}

// record is what the journal keeps of a channel, as JSON under recordKey.
type record struct {
	Success time.Time   `json:"success,omitzero"`
	Failure time.Time   `json:"failure,omitzero"`
	Error   string      `json:"error,omitempty"`
	Since   time.Time   `json:"failing_since,omitzero"`
	Fault   Fault       `json:"fault,omitempty"` // of the last failure
	ToldBy  string      `json:"told_by,omitempty"`
	Recent  []time.Time `json:"recent,omitempty"` // accepted within the hour before Success
}

func recordKey(channel string) string { return "channel/" + channel }

// accepted is the record after a message got through; an outage ends by it.
func (r record) accepted(now time.Time) record {
	r.Success, r.Since, r.ToldBy = now, time.Time{}, ""
	r.Recent = append(lately(r.Recent, now), now)
	return r
}

// failed is the record after an attempt that did not get through.
func (r record) failed(now time.Time, e *Error) record {
	if r.Since.IsZero() || r.Since.After(now) { // or the clock was set back
		r.Since = now
	}
	r.Failure, r.Error, r.Fault = now, e.Error(), e.Fault
	return r
}

// dead reports whether the next channel is to stand in: at once if someone has
// to mend it, else after a while.
func (r record) dead(now time.Time) bool {
	return !r.Since.IsZero() && (r.Fault != Temporary || now.Sub(r.Since) >= deadAfter)
}

// lost reports whether it was seen failing for long.
func (r record) lost() bool {
	return !r.Since.IsZero() && r.Failure.Sub(r.Since) >= lostAfter
}

func (r record) encode() (string, error) {
	text, err := json.Marshal(r)
	return string(text), err
}

func decodeRecord(text string) (r record, err error) {
	return r, json.Unmarshal([]byte(text), &r)
}
