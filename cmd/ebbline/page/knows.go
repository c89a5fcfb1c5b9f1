package page

import (
	"time"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// What the daemon tells the page besides the journal: Options has a function for
// each, any of which may be nil.

// KnownSensor is a sensor that is defined, and where.
type KnownSensor struct {
	Sensor ingest.Sensor
	// Source is where it is defined: FromConfig, FromBatch or FromPage.
	Source string
	// Unused is why the definition is not used; empty: it is.
	Unused string
	// Calibrations are those made here, the latest, which is in force, last; one
	// without pairs took back those before it.
	Calibrations []Calibration
	// Overruled: the definition brings a calibration of its own, which goes before.
	Overruled bool
}

// Sources of a sensor's definition.
const (
	FromConfig = "the configuration"
	FromBatch  = "a batch file"
	FromPage   = "this page"
)

// inForce is the calibration that counts; nil: none.
func (k KnownSensor) inForce() *Calibration {
	if n := len(k.Calibrations); n > 0 && len(k.Calibrations[n-1].Pairs) > 0 {
		return &k.Calibrations[n-1]
	}
	return nil
}

// Quiet are hours of sleep, as "22:30"; over midnight if To is before From.
type Quiet struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// QuietState is what holds of the quiet hours; Fixed: the configuration says so,
// and they are not changed here.
type QuietState struct {
	Hours *Quiet
	Fixed bool
}

// ChannelState is how one way to reach the brewer fares. Zero times: never.
type ChannelState struct {
	Name, Kind   string
	LastSuccess  time.Time
	LastFailure  time.Time
	LastError    string
	FailingSince time.Time
	Held         int // messages that wait for the next hour
}

// Looking says how a new device shows up.
type Looking struct {
	// Needed: the broker is not ours, so topics that no sensor listens to are
	// heard only during a look around.
	Needed bool
	// Left is how long the look around goes on; 0: there is none.
	Left time.Duration
}

// Doubt is something of a new batch that can hardly be meant, beside a field of its form.
type Doubt struct {
	Field, Text string
	Never       bool // nobody means it: such a batch is not begun
}

// PlanRequest is what is known of a batch before it is pitched.
type PlanRequest struct {
	OriginalGravity gravity.SG
	Ceiling         gravity.Ceiling
	Rule            gravity.Rule
	Volume          gravity.Litres
	Yeast           projection.Yeast
	Temperature     gravity.Celsius // of fermentation
	CrashTo         gravity.Celsius
	TimeConstant    time.Duration
	Risk            float64
}

// Plan is the arithmetic before brew day, as `ebbline plan` says it.
type Plan struct {
	Target gravity.SG
	// StopAt is where the beer should come to rest, CrashAt where to start the
	// crash; nil: measuring errors use up the whole drop.
	StopAt, CrashAt *gravity.SG
	// MarginPoints is what the measuring errors take off.
	MarginPoints float64
	// Lead is the hours between the start of the crash and the stop, Days those
	// from pitch to the start of the crash: the span of 8 in 10 cases.
	Lead, Days [2]float64
	Warnings   []string
}
