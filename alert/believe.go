package alert

import (
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// belief is what a Watch needs of an estimator. Times given to it never go
// back. Asking (Estimate, Project, CrashAt, HoldToMove, Suspect) changes nothing.
type belief interface {
	Observe(projection.Observation)
	Sample(projection.Sample)
	CrashStarted(time.Time)
	Advance(time.Time)
	Estimate() projection.Estimate
	Project() projection.Projection
	CrashAt(time.Time) projection.Outcome
	HoldToMove(target time.Time, low, high gravity.Celsius) (projection.Held, bool)
	MarshalBinary() ([]byte, error)
	// copied is a belief of its own with the same state.
	copied() belief
	// aside is a smaller copy, good for copied and MarshalBinary only.
	aside() belief
	// idle lets go of memory that is kept for being used again soon.
	idle()
	Suspect() []projection.Suspicion
}

// maker makes beliefs, new or from MarshalBinary's bytes.
type maker interface {
	begin(projection.Batch) (belief, error)
	restore(projection.Batch, []byte) (belief, error)
}

// estimators makes projection's.
type estimators struct{}

// estimator is projection's as a belief.
type estimator struct{ *projection.Estimator }

func (e estimator) copied() belief { return estimator{e.Clone()} }

func (e estimator) aside() belief { return estimator{e.Aside()} }

func (e estimator) idle() { e.Idle() }

func (estimators) begin(b projection.Batch) (belief, error) {
	e, err := projection.New(b)
	if err != nil {
		return nil, err
	}
	return estimator{e}, nil
}

func (estimators) restore(b projection.Batch, data []byte) (belief, error) {
	e, err := projection.Restore(b, data)
	if err != nil {
		return nil, err
	}
	return estimator{e}, nil
}
