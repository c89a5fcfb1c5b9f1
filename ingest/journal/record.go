// Package journal is the durable record of the daemon: readings, batches,
// samples and actions, events, alerts, deliveries. SQLite in one file; the only
// package that knows SQL. It decides nothing.
package journal

import (
	"encoding/json"
	"time"

	"ebbline/ingest"
)

// Stored is a reading with its place in the order of arrival.
type Stored struct {
	// Seq rises with every reading and entry ever committed; readings and
	// entries draw from one sequence, so that a watch can be run again in the
	// order in which things became known.
	Seq int64
	ingest.Reading
}

// Batch is one fermenter-full; Spec is its description, opaque here.
type Batch struct {
	ID      string
	Name    string
	Spec    json.RawMessage
	Sensors []string // names of its sensors; a running batch claims each alone
	Started time.Time
	Ended   *time.Time // nil while it runs
}

// EntryKind says what a person entered.
type EntryKind string

// What a person can enter about a batch.
const (
	SampleEntry  EntryKind = "sample"
	CrashStarted EntryKind = "crash-started"
	Packaged     EntryKind = "packaged" // kegged or bottled; EndBatch follows, and striking it out undoes that
	NoteEntry    EntryKind = "note"
	StruckEntry  EntryKind = "struck" // marks an earlier entry as wrong; it is kept
	// SensorChanged gives the batch's sensors from here on. Its body is
	// {"sensors": ["float-1", …]}; AddEntry moves the claims with it.
	SensorChanged EntryKind = "sensors"
)

// Entry is something a person entered: kept for good, never changed.
type Entry struct {
	Seq   int64
	Batch string
	Kind  EntryKind
	// Time is when it happened, Entered when it was written down.
	Time    time.Time
	Entered time.Time
	// Body is the JSON of a sample, note and so on, by kind.
	Body json.RawMessage
	// Key makes entering it twice harmless; empty: always a new entry.
	Key string
}

// Event is one thing a watch said: estimate, projection, alert.
type Event struct {
	Batch string
	N     int64 // number within the batch, from 1; saying it twice is harmless
	Type  string
	Time  time.Time
	Body  json.RawMessage
}

// Alert is one occurrence of one kind of alert and what became of it.
type Alert struct {
	// ID is "BATCH/KIND/N", N the occurrence from 1.
	ID       string
	Batch    string
	Kind     string
	Severity string
	Title    string
	Message  string
	// Body is the JSON that a webhook gets, without the link.
	Body json.RawMessage
	// Raised is on the batch's clock, Recorded on the daemon's.
	Raised, Recorded time.Time
	Acknowledged     *time.Time
	SnoozedUntil     *time.Time
	Resolved         *time.Time
	// Token opens the acknowledge link of this alert and nothing else.
	Token string
}

// Delivery is one message to one channel: queued before it is sent, marked
// before and after sending.
type Delivery struct {
	ID      int64
	Alert   string
	Channel string // the channel's name in the configuration
	// N counts the tellings of this alert on this channel, from 1.
	N        int
	Due      time.Time
	Attempts int
	// Started is set in the journal before each attempt and cleared by Postpone:
	// set while Done is nil, the daemon died while it was sending.
	Started *time.Time
	Done    *time.Time
	// Outcome is "" while pending, else "accepted", "refused" or "dropped".
	Outcome string
	Error   string // of the last attempt, secrets removed
}
