// Package projection turns readings of one batch into a belief about its beer
// (Estimate), what it will become (Projection) and the last moment to start
// the crash. Pure: no clock, no I/O, no goroutine; the same inputs give the
// same outputs, byte for byte. Decisions about telling anyone are alert's.
package projection

import (
	"time"

	"ebbline/projection/gravity"
)

// Yeast is the class of yeast a batch was pitched with.
type Yeast string

// The yeast classes that have a prior.
const (
	StandardYeast   Yeast = "standard"
	MaltoseNegative Yeast = "maltose-negative"
)

// Batch is one fermenter-full of beer as the brewer described it.
type Batch struct {
	// ID is lasting and unique in a journal; it also seeds the random numbers.
	ID     string
	Name   string
	Volume gravity.Litres
	// OriginalGravity is the hand sample at pitch, with its standard deviation.
	OriginalGravity   gravity.SG
	OriginalGravitySD gravity.Points
	Ceiling           gravity.Ceiling
	Rule              gravity.Rule
	// Risk is the accepted probability of ending above the ceiling, in (0, 1).
	Risk      float64
	Yeast     Yeast
	PitchedAt time.Time
	// ResponseTime passes between the notification and the start of the crash.
	ResponseTime time.Duration
	Crash        Crash
	// Steps are the changes of temperature that the brewer plans, in order of time.
	Steps []Step
	// Sensors are the names of the sensors in this batch, also of those that a
	// wildcard made ("NAME/rest").
	Sensors []string
}

// Crash is how the beer will be cooled.
type Crash struct {
	To gravity.Celsius
	// TimeConstant is that of the beer in its vessel (Newton's law of cooling),
	// as the brewer believes it.
	TimeConstant time.Duration
}

// Step is a planned change: from At on the beer goes to To with its vessel's time
// constant and is held there.
type Step struct {
	At time.Time
	To gravity.Celsius
}

// Quantity is what an observation measures.
type Quantity string

// The quantities an estimator can use; others are ignored by it.
const (
	Gravity     Quantity = "gravity"     // SG
	Temperature Quantity = "temperature" // °C
	PH          Quantity = "ph"          // pH
)

// Observation is one value that a sensor gave for a batch.
type Observation struct {
	Time     time.Time
	Sensor   string
	Quantity Quantity
	Value    float64 // SG, °C or pH
	// Repeated: the device shows exactly what it showed before, whatever a
	// correction has made of it since.
	Repeated bool
}

// Sample is a measurement taken by hand. Absent values are nil.
type Sample struct {
	Time        time.Time
	Gravity     *gravity.SG
	Temperature *gravity.Celsius // at which Gravity was read; nil: 20 °C
	Brix        *gravity.Brix
	PH          *float64
}

// Estimate is what the batch is believed to be at Time.
type Estimate struct {
	Time        time.Time
	Gravity     gravity.SG
	GravitySD   gravity.SG // SG, not points
	ABV         gravity.ABV
	ABVSD       gravity.ABV
	Temperature *gravity.Celsius // nil if never measured
}

// Quantiles of a belief about a strength, % ABV.
type Quantiles struct{ P10, P50, P90 gravity.ABV }

// Crossing says whether and when ABV reaches the ceiling if nobody acts.
// A quantile at which it never does is nil.
type Crossing struct {
	Probability   float64
	P10, P50, P90 *time.Time
}

// FanPoint is the projected gravity at one future time if nobody acts.
type FanPoint struct {
	Time time.Time  `json:"time"`
	P10  gravity.SG `json:"p10"`
	P50  gravity.SG `json:"p50"`
	P90  gravity.SG `json:"p90"`
}

// Projection is what the batch is believed to become, as seen at Time.
type Projection struct {
	Time    time.Time
	Crosses Crossing
	// CrashBy is the last moment to start the crash with
	// P(final ABV above ceiling) ≤ risk; nil if no crash is needed, equal to
	// Time or before it if that moment is now or has passed.
	CrashBy *time.Time
	// CrashBySD is the spread of that moment, for "moved by less than its spread".
	CrashBySD       time.Duration
	ABVIfLeft       Quantiles
	ABVIfCrashedNow Quantiles
	// OverIfCrashedNow is P(final ABV above the ceiling) for a crash that starts
	// one response time from Time.
	OverIfCrashedNow float64
	// OverNow is the probability that the beer is above the ceiling already.
	OverNow float64
	// Dots are twenty equally likely crossing times, soonest first; those that
	// never cross are left out.
	Dots []time.Time
	Fan  []FanPoint
	// Sampled is what a hand sample of the gravity now would change; nil if no
	// crash is due.
	Sampled *SampleWorth
}

// SampleWorth is the value of a hand sample as it is expected before it is drawn:
// the mean over the values it may show.
type SampleWorth struct {
	// Later is by how much the crash by would move; below zero if sooner.
	Later time.Duration
	// SD is the spread of the crash by that would be left.
	SD time.Duration
}
