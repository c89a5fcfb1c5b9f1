package journal

import (
	"errors"
	"fmt"
)

// Errors that callers branch on.
var (
	// ErrInUse means that another process has the folder; the text says which.
	ErrInUse = errors.New("the data folder is in use")
	// ErrNewer means that a newer ebbline wrote the file.
	ErrNewer = errors.New("the record was written by a newer ebbline")
	// ErrNotFound means that there is no batch, alert or delivery of that name.
	ErrNotFound = errors.New("not found")
	// ErrClosed means that the journal is closed or closing.
	ErrClosed = errors.New("the record is closed")
	// ErrInvalid means that a value can never be stored; trying again is useless.
	ErrInvalid = errors.New("cannot be stored")
)

// ErrSensorClaimed means that a running batch has the sensor already.
type ErrSensorClaimed struct {
	Sensor string
	Batch  string // ID of the batch that has it
}

// Error says which batch has the sensor and what to do.
func (e ErrSensorClaimed) Error() string {
	return fmt.Sprintf("sensor %q belongs to the running batch %q: end that batch or choose another sensor", e.Sensor, e.Batch)
}

// ErrUnwritten means that the record could not be written: what the caller wanted
// is not in it, nor is anything else until that is mended.
type ErrUnwritten struct {
	// Unsure says that it may be in the record all the same, as the next start finds
	// out: the last step failed, and nobody knows how much of it reached the disk.
	Unsure bool
	Cause  error
}

func (e *ErrUnwritten) Error() string { return "commit to the record: " + e.Cause.Error() }

func (e *ErrUnwritten) Unwrap() error { return e.Cause }

// Why says why and what a person can do, in plain words.
func (e *ErrUnwritten) Why() string {
	var f *fault
	if errors.As(e.Cause, &f) {
		return f.advice
	}
	return e.Cause.Error()
}
