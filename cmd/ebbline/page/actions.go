package page

import (
	"context"
	"fmt"
	"time"

	"ebbline/ingest"
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
	// Strike marks an earlier sample, crash, packaging or note as a mistake. It is kept.
	// A batch whose packaging was one is watched again.
	Strike(ctx context.Context, batch string, e Strike) error
	// SetSensors gives a running batch these sensors and no others from now on.
	SetSensors(ctx context.Context, batch string, w Swap) error
	// SetQuiet sets the hours in which the brewer sleeps; nil: none.
	SetQuiet(ctx context.Context, q *Quiet) error
	// TryChannel sends a message that says that it is a test.
	TryChannel(ctx context.Context, name string) error
	// LookAround listens to every topic of the broker for a while.
	LookAround(ctx context.Context) error
	// PutRight takes back what was recorded ahead of the clock, and has the batches
	// looked at again: a person says that the clock is right now. Refused if no
	// batch has been looked at ahead of it.
	PutRight(ctx context.Context) error
	// DefineSensor defines a sensor, or defines anew one that was defined here.
	DefineSensor(ctx context.Context, s ingest.Sensor) error
	// Calibrate makes a calibration the sensor's own from now on; one without
	// pairs takes the calibration back. Earlier ones are kept.
	Calibrate(ctx context.Context, c Calibration) error
}

// Strike names an entry that was a mistake.
type Strike struct {
	Seq  int64     `json:"seq"`
	Time time.Time `json:"time"` // of striking it out
	Key  string    `json:"key,omitempty"`
}

// Swap are a batch's sensors from a moment on.
type Swap struct {
	Time    time.Time `json:"time"`
	Sensors []string  `json:"sensors"`
	Key     string    `json:"key,omitempty"`
}

// Calibration is what a sensor's readings become gravity by, and where it comes
// from.
type Calibration struct {
	Sensor   string          `json:"sensor"`
	Quantity ingest.Quantity `json:"quantity"` // tilt, or gravity as shown
	Degree   int             `json:"degree"`
	Pairs    []ingest.Pair   `json:"pairs"`
	Fit      ingest.Fit      `json:"fit"`
	At       time.Time       `json:"at"`
}

// Sample is a measurement taken by hand. Absent values are nil.
type Sample struct {
	Time        time.Time `json:"time"`
	Gravity     *float64  `json:"gravity,omitempty"`     // SG
	Temperature *float64  `json:"temperature,omitempty"` // °C at which Gravity was read
	Brix        *float64  `json:"brix,omitempty"`        // °Bx
	PH          *float64  `json:"ph,omitempty"`
	Sure        bool      `json:"sure,omitempty"` // to be recorded although it can hardly be right
	Key         string    `json:"key,omitempty"`
}

// Check refuses what no instrument shows of beer, as a *Refused.
func (m Sample) Check() error {
	refuse := func(field, format string, args ...any) error { return &Refused{field, fmt.Sprintf(format, args...)} }
	outside := func(v *float64, lo, hi float64) bool { return v != nil && !(*v >= lo && *v <= hi) }
	switch {
	case m.Gravity == nil && m.Brix == nil && m.PH == nil:
		return refuse("", "a sample needs gravity, Brix or pH")
	case m.Gravity != nil && *m.Gravity > 900 && *m.Gravity < 1250:
		return refuse("gravity", "%g: did you mean %.4f?", *m.Gravity, *m.Gravity/1000)
	case outside(m.Gravity, 0.980, 1.200):
		return refuse("gravity", "%g: want an SG from 0.980 to 1.200, such as 1.012", *m.Gravity)
	case outside(m.Temperature, -10, 110):
		return refuse("temperature", "%g: want °C from -10 to 110", *m.Temperature)
	case outside(m.Brix, 0, 45):
		return refuse("brix", "%g: want °Bx from 0 to 45", *m.Brix)
	case outside(m.PH, 2, 8):
		return refuse("ph", "%g: want a pH from 2 to 8; beer lies near 4", *m.PH)
	}
	return nil
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
