// Package alert goes from beliefs to alerts: the kinds, their thresholds with
// hysteresis, their texts, and the Watch of one batch that serve, demo and
// replay all drive. Pure: it is told the time. Sending is alert/deliver's.
package alert

import (
	"time"

	"ebbline/projection"
)

// Kind names what an alert says; see the contract's table.
type Kind string

// The kinds of alert.
const (
	CrashSoon       Kind = "crash-soon"
	CrashNow        Kind = "crash-now"
	OverCeiling     Kind = "over-ceiling"
	StaysBelow      Kind = "stays-below"
	NotCooling      Kind = "not-cooling"
	StillFermenting Kind = "still-fermenting"
	SensorSilent    Kind = "sensor-silent"
	SensorSuspect   Kind = "sensor-suspect"
	NotStarted      Kind = "not-started"
	Temperature     Kind = "temperature"
	SampleDue       Kind = "sample-due"
	PH              Kind = "ph"
)

// Severity is how much an alert matters.
type Severity string

// The severities, mildest first.
const (
	Info    Severity = "info"
	Warning Severity = "warning"
	Urgent  Severity = "urgent"
)

// Alert is one occurrence of a kind, raised by a Watch.
type Alert struct {
	Kind     Kind
	N        int // occurrence of this kind in this batch, from 1
	Severity Severity
	Title    string // fits a lock screen
	// Message says what, by when, how sure and what to do now. It begins with what
	// the batch's page says at the time.
	Message string
	Cause   string // why it was raised, for the record
	// Estimate and Projection are the belief that Message is worded on: the last that
	// was said as events may be a quarter of an hour older.
	Estimate   *projection.Estimate
	Projection *projection.Projection
}

// Event is one thing a Watch says. Exactly one of Estimate, Projection, Alert
// and Resolved is set.
type Event struct {
	Time       time.Time
	Estimate   *projection.Estimate
	Projection *projection.Projection
	Alert      *Alert
	// Resolved says that an alert raised before no longer holds.
	Resolved *Resolved
}

// Resolved names the alert that no longer holds and why.
type Resolved struct {
	Kind Kind
	N    int
	Why  string
}
