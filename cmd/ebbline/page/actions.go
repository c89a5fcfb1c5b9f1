package page

import (
	"context"
	"time"
)

// Actions is what people and scripts can do. Every method returns once the act
// is durable. A caller's fault is a *Refused; journal.ErrNotFound means that
// the batch or alert does not exist. Doing an act again with the same non-empty
// key changes nothing.
type Actions interface {
	// StartBatch starts the batch that a batch file (YAML or JSON, contract §5)
	// describes and returns its ID.
	StartBatch(ctx context.Context, raw []byte) (id string, err error)
	AddSample(ctx context.Context, batch string, s Sample) error
	CrashStarted(ctx context.Context, batch string, at time.Time, key string) error
	Packaged(ctx context.Context, batch string, p Package) error
	Note(ctx context.Context, batch string, n Note) error
	// Acknowledge stops the repeats of an alert; acknowledging again is harmless.
	Acknowledge(ctx context.Context, alertID string) error
	// Snooze holds the repeats of an alert back until then.
	Snooze(ctx context.Context, alertID string, until time.Time) error
}

// Sample is a measurement taken by hand. Absent values are nil.
type Sample struct {
	Time        time.Time `json:"time"`
	Gravity     *float64  `json:"gravity,omitempty"`     // SG
	Temperature *float64  `json:"temperature,omitempty"` // °C at which Gravity was read
	Brix        *float64  `json:"brix,omitempty"`        // °Bx
	PH          *float64  `json:"ph,omitempty"`
	Key         string    `json:"key,omitempty"`
}

// Package is the end of a batch: into a keg or into bottles.
type Package struct {
	Time time.Time `json:"time"`
	Into string    `json:"into"` // "keg" or "bottle"
	Key  string    `json:"key,omitempty"`
}

// Note is a remark for the record.
type Note struct {
	Time time.Time `json:"time"`
	Text string    `json:"text"`
	Key  string    `json:"key,omitempty"`
}

// Refused says why an act was not done, to the one who asked for it.
type Refused struct {
	// Field names the input at fault as the API spells it; empty: all of it.
	Field string
	// Text says what is wrong and what to do, in a sentence.
	Text string
}

func (r *Refused) Error() string {
	if r.Field == "" {
		return r.Text
	}
	return r.Field + ": " + r.Text
}
