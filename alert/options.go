package alert

import (
	"fmt"
	"time"

	"ebbline/projection/gravity"
)

// Options are the settings of a Watch. The zero value gives the defaults.
type Options struct {
	// Every is the least time between two estimates; at least, and by default,
	// 15 minutes of the batch's clock.
	Every time.Duration
	// HeadsUp are how long before the crash a crash-soon is told; 12 h and 3 h.
	HeadsUp []time.Duration
	// Silence is how long a sensor may give nothing; 2 h. A sensor that is
	// usually slower may be silent for four of its usual intervals.
	Silence time.Duration
	// Lag is how long after pitch fermentation should show; 36 h.
	Lag time.Duration
	// Range is what the beer's temperature should keep to before the crash; nil:
	// not watched.
	Range *Range
	// PHLimit is the pH above which beer is not to be packaged without a word;
	// 3.9 (common practice for finished beer).
	PHLimit float64
	// Location is where the brewer reads the clock; UTC.
	Location *time.Location
	// Quiet are the hours in which the brewer sleeps; nil: none. What is not
	// urgent waits for their end, see finding.hushed.
	Quiet *Quiet
	// Plato shows gravities in °P instead of SG, Fahrenheit temperatures in °F
	// instead of °C.
	Plato, Fahrenheit bool

	// believe makes the belief of a batch; nil: projection's estimator.
	believe maker
}

// Range is a span of temperatures, °C.
type Range struct{ Low, High gravity.Celsius }

// lookEvery is how often a batch is looked at while readings arrive: the finest
// step of its clock.
const lookEvery = 15 * time.Minute

// filled is o with the defaults put in, or what is wrong with it.
func (o Options) filled() (Options, error) {
	if o.Every == 0 {
		o.Every = lookEvery
	}
	if o.Every < lookEvery {
		return o, fmt.Errorf("every %v: at least %v, which is how often a batch is looked at", o.Every, lookEvery)
	}
	if o.HeadsUp == nil {
		o.HeadsUp = []time.Duration{12 * time.Hour, 3 * time.Hour}
	}
	for i, lead := range o.HeadsUp {
		if lead <= 0 || i > 0 && lead >= o.HeadsUp[i-1] {
			return o, fmt.Errorf("heads-up %v: give positive leads, longest first", o.HeadsUp)
		}
	}
	if o.Silence == 0 {
		o.Silence = 2 * time.Hour
	}
	if o.Lag == 0 {
		o.Lag = 36 * time.Hour
	}
	if o.Silence < 0 || o.Lag < 0 {
		return o, fmt.Errorf("silence %v, lag %v: give positive times", o.Silence, o.Lag)
	}
	if o.PHLimit == 0 {
		o.PHLimit = float64(gravity.PHTrade)
	}
	if o.PHLimit < 2 || o.PHLimit > 7 {
		return o, fmt.Errorf("pH limit %g: give one between 2 and 7", o.PHLimit)
	}
	if o.Range != nil && o.Range.Low >= o.Range.High {
		return o, fmt.Errorf("temperature range %g to %g °C: the first must be the lower", float64(o.Range.Low), float64(o.Range.High))
	}
	if o.Quiet != nil {
		if err := o.Quiet.check(); err != nil {
			return o, err
		}
	}
	if o.Location == nil {
		o.Location = time.UTC
	}
	if o.believe == nil {
		o.believe = estimators{}
	}
	return o, nil
}
