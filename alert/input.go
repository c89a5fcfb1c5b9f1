package alert

import (
	"time"

	"ebbline/projection"
)

// Input is something a person entered. Exactly one field besides Ref and Into is
// set.
// Times may lie before the watch's clock: it is then as if they had been known
// at the time. A sample may also lie ahead; it counts when the clock gets there.
type Input struct {
	// Ref names the entry for a later Struck; 0: it cannot be struck.
	Ref          int64
	Sample       *projection.Sample
	CrashStarted *time.Time
	// Packaged ends the watch: the beer is in its keg or bottles.
	Packaged *time.Time
	// Into is what it is packaged into, with Packaged: keg, bottle or "".
	Into string
	// Sensors are the batch's sensors from here on.
	Sensors []string
	// Struck is the Ref of an earlier sample or crash that was a mistake.
	Struck int64
}
