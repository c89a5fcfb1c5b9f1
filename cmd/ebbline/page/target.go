package page

import "ebbline/projection"

// targetOf is the target gravity of a batch; nil if its original gravity is
// not known.
func targetOf(b projection.Batch) *float64 {
	return nil
}
