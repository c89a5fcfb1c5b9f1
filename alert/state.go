package alert

import (
	"slices"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// State is what a watch last found, enough for a person to be told in a
// sentence.
type State struct {
	Now time.Time
	// Estimate and Projection are the latest belief, also when they were not
	// said as events.
	Estimate   *projection.Estimate
	Projection *projection.Projection
	// LastReading is when anything last arrived; zero: never.
	LastReading time.Time
	// Silent says that nothing arrives any more and the belief runs on alone.
	Silent bool
	// CrashStarted, Cold and Packaged are when; nil: not yet.
	CrashStarted, Cold, Packaged *time.Time
	// LastSample is when gravity was last measured by hand, at pitch for one.
	LastSample time.Time
	// PH is the last one known, measured or entered; nil: none. It is too high
	// above PHLimit; 0: the trade's 3.9.
	PH      *float64
	PHLimit float64
	// Open are the kinds of the open alerts, each once, the gravest first.
	Open []Kind
	// Lost counts inputs that lay too far back to be folded in or struck.
	Lost int
	// Next is when the belief is looked at next.
	Next time.Time
	// ShouldBe is what the crash should have cooled the beer to when its
	// temperature was last measured; nil: no crash, or not known.
	ShouldBe *gravity.Celsius
	// Stands is for how long the temperature has stood still far above the crash's
	// goal; 0: it has not.
	Stands time.Duration
	// Temp is the last temperature measured, at TempAt; nil: none. Estimate has it
	// only while it may stand for the present.
	Temp   *gravity.Celsius
	TempAt time.Time
	// Into is what the beer was packaged into: keg, bottle or "".
	Into string
	// IfWarm is what it was believed to come to if left warm, when the crash
	// started; nil: no crash.
	IfWarm *projection.Quantiles
	// Location, Plato, Fahrenheit and Quiet are how the brewer reads times,
	// gravities and temperatures, and when they sleep.
	Location          *time.Location
	Plato, Fahrenheit bool
	Quiet             *Quiet

	subjects []string // keys of the open alerts
}

// view is what the judges see of a batch at one moment.
type view struct {
	now, next  time.Time
	batch      *projection.Batch
	opts       *Options
	book       book
	trail      trail
	heard      hearing
	estimate   projection.Estimate
	projection projection.Projection
	likely     *gravity.Celsius // believed of now, measured or not
	doubts     []projection.Suspicion
	packaged   *time.Time
	into       string
	lost       int
	belief     asked
}

// asked is what a judge may ask of the belief beside what it was shown.
type asked interface {
	CrashAt(time.Time) projection.Outcome
	HoldToMove(target time.Time, low, high gravity.Celsius) (projection.Held, bool)
}

// gravest is the order of kinds in State.Open.
func gravest() []Kind {
	return []Kind{
		OverCeiling, CrashNow, NotCooling, StillFermenting, NotStarted, SensorSilent, SensorSuspect,
		PH, CrashSoon, Temperature, SampleDue, StaysBelow,
	}
}

// state is the view for a person.
func (v *view) state() State {
	e, p := v.estimate, v.projection // of their own: who holds the state does not hold the belief
	s := State{
		Now: v.now, Estimate: &e, Projection: &p, Silent: v.silent(),
		CrashStarted: v.trail.Crash, Cold: v.trail.ColdAt, Packaged: v.packaged, Lost: v.lost, Next: v.next,
		LastSample: v.trail.LastSample, PH: v.trail.PH, Temp: v.trail.Temp, TempAt: v.trail.TempAt,
		Into: v.into, IfWarm: v.trail.IfWarm, subjects: v.book.subjects(),
	}
	s.brewers(v.opts)
	s.Stands, _ = v.standstill()
	if v.trail.Temp != nil {
		if want, known := v.expectedCooling(v.trail.TempAt); known {
			s.ShouldBe = &want
		}
	}
	s.LastReading, _ = v.heard.latest()
	for _, k := range gravest() {
		if v.book.open(k) {
			s.Open = append(s.Open, k)
		}
	}
	return s
}

// brewers puts in how the brewer reads numbers and times.
func (s *State) brewers(o *Options) {
	s.PHLimit, s.Location, s.Plato, s.Fahrenheit, s.Quiet = o.PHLimit, o.Location, o.Plato, o.Fahrenheit, o.Quiet
}

// has reports whether the alert of this kind and subject is open.
func (s *State) has(kind Kind, subject string) bool {
	return slices.Contains(s.subjects, keyOf(kind, subject))
}

// silent reports whether nothing arrives any more from any sensor.
func (v *view) silent() bool {
	for _, s := range v.heard {
		if v.now.Sub(s.last()) < s.patience(v.opts.Silence, 0) {
			return false
		}
	}
	return true
}

// crashAt is the last moment at which a person may be told to crash: crash by,
// less the time until they have started it.
func (v *view) crashAt() (time.Time, bool) {
	if v.projection.CrashBy == nil {
		return time.Time{}, false
	}
	return v.projection.CrashBy.Add(-v.batch.ResponseTime), true
}
