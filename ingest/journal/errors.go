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
