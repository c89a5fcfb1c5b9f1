package ingest

import (
	"fmt"
	"strings"

	"ebbline/projection/gravity"
)

// Formats of a payload.
const (
	PlainFormat = ""      // JSON or a bare number, values found by pointer
	SenMLFormat = "senml" // a SenML pack in JSON (RFC 8428), values found by record name
)

// Sensor says which topics a device publishes to and where in the payload each
// of its quantities stands. No device model is built in.
type Sensor struct {
	// Name is unique. With a wildcard in Topic each concrete topic is a sensor
	// of its own, named "NAME/" and what the wildcards matched, joined by "/".
	Name string
	// Topic is an MQTT topic filter.
	Topic string
	// Time is a JSON Pointer to the device's own clock: RFC 3339, or Unix
	// seconds or milliseconds, also fractional. Empty: time of arrival. A SenML
	// pack carries its own times.
	Time string
	// Format is PlainFormat or SenMLFormat.
	Format string
	// Text accepts numbers written inside strings ("1.012").
	Text     bool
	Readings []ReadingSpec
}

// ReadingSpec says where one quantity stands and how it is read.
type ReadingSpec struct {
	Quantity Quantity
	// Pointer is a JSON Pointer (RFC 6901); the empty one takes a payload that
	// is a bare number. Not used with SenML.
	Pointer string
	// Record is the resolved name of a SenML record. Only used with SenML.
	Record string
	// Unit is one of Units(Quantity); with SenML it may be left out and is then
	// the record's.
	Unit string
	// CalibratedAt, if set, says that the float shows relative density on a
	// scale made for that temperature and does not correct itself; its gravity
	// is then corrected with the beer's temperature. Gravity, or tilt with
	// Calibration.
	CalibratedAt *gravity.Celsius
	// Expansion is the cubic expansion of the float's body per kelvin; only
	// with CalibratedAt. Glass is about 25e-6, steel 50e-6.
	Expansion float64
	// Calibration makes gravity of tilt, x in degrees, or of a gravity shown by a
	// float that errs along its scale, x in SG: SG = c0 + c1·x + c2·x² + …, at
	// most MaxCalibration coefficients.
	Calibration []float64
}

// MaxCalibration is how many coefficients a calibration may have.
const MaxCalibration = 6

// Quantities lists what a sensor may give, as configuration writes it.
func Quantities() []Quantity { return []Quantity{Gravity, Temperature, Tilt, PH, Battery} }

// Units lists the units a quantity may be given in. They are named as in SenML
// (RFC 8428 §12.1, RFC 8798) where it has one. In a plain payload "%" is parts
// per hundred, as people mean it; in a SenML record it is a ratio 0..1, as the
// registry says, and percent is "%EL" or "/100".
func Units(q Quantity) []string {
	switch q {
	case Gravity:
		return []string{"sg", "plato", "brix", "kg/m3", "/"}
	case Temperature:
		return []string{"Cel", "K", "degF"}
	case Tilt:
		return []string{"deg", "rad"}
	case PH:
		return []string{"pH"}
	case Battery:
		return []string{"V", "mV", "%", "/", "%EL", "/100"}
	}
	return nil
}

// SpecError is one fault in the description of a sensor.
type SpecError struct {
	// Index is the sensor's place in the list given to Compile, Reading that of
	// the reading in the sensor or -1; both from 0.
	Index, Reading int
	Sensor         string
	// Field is the key at fault as configuration writes it.
	Field string
	// Text says what is wrong and what is allowed.
	Text string
}

func (e *SpecError) Error() string {
	where := fmt.Sprintf("sensor %q", e.Sensor)
	if e.Sensor == "" {
		where = fmt.Sprintf("sensor %d", e.Index+1)
	}
	if e.Reading >= 0 {
		where += fmt.Sprintf(", reading %d", e.Reading+1)
	}
	return fmt.Sprintf("%s: %s: %s", where, e.Field, e.Text)
}

// SpecErrors are all faults that Compile found.
type SpecErrors []*SpecError

func (e SpecErrors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single faults to errors.As.
func (e SpecErrors) Unwrap() []error {
	all := make([]error, len(e))
	for i, one := range e {
		all[i] = one
	}
	return all
}
