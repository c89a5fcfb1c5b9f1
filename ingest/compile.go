package ingest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"ebbline/projection/gravity"
)

// maxName bounds the name of a sensor, also one that a wildcard made, in bytes.
const maxName = 256

// compiled is one sensor made ready for decoding.
type compiled struct {
	Sensor
	time     pointer
	readings []compiledReading
	// wantsTemperature: a gravity of this sensor is corrected for temperature,
	// so its last temperature is remembered.
	wantsTemperature bool
}

type compiledReading struct {
	ReadingSpec
	at pointer
}

// Mapper turns messages into readings for a fixed list of sensors. It remembers
// the last temperature of each sensor that corrects its gravity, and the names
// that wildcards made, so the same messages in the same order give the same
// readings. Safe for
// concurrent use; the order is then the caller's to keep.
type Mapper struct {
	sensors []compiled
	exact   map[string][]int // by topic without wildcard
	wild    []int
	filters []string

	mu   sync.Mutex
	last map[string]warmth
	// shown is what each float showed last, see repeats.
	shown map[string]float64
	made  map[string]bool // names of sensors that wildcards made and that gave a reading
}

// Compile checks a list of sensors and makes a Mapper of it. The error, if any,
// is a SpecErrors with every fault of the list.
func Compile(sensors []Sensor) (*Mapper, error) {
	m := &Mapper{exact: map[string][]int{}, last: map[string]warmth{}, shown: map[string]float64{}, made: map[string]bool{}}
	var faults SpecErrors
	for i, s := range sensors {
		c := checker{sensor: s, index: i}
		one := c.compile(sensors[:i])
		faults = append(faults, c.faults...)
		m.sensors = append(m.sensors, one)
		if hasWildcard(s.Topic) {
			m.wild = append(m.wild, i)
		} else {
			m.exact[s.Topic] = append(m.exact[s.Topic], i)
		}
		if !slices.Contains(m.filters, s.Topic) {
			m.filters = append(m.filters, s.Topic)
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return m, nil
}

// Filters are the topic filters to subscribe, each once.
func (m *Mapper) Filters() []string { return slices.Clone(m.filters) }

// checker collects the faults of one sensor.
type checker struct {
	sensor Sensor
	index  int
	faults SpecErrors
}

func (c *checker) fault(reading int, field, format string, args ...any) {
	c.faults = append(c.faults, &SpecError{
		Index: c.index, Reading: reading, Sensor: c.sensor.Name,
		Field: field, Text: fmt.Sprintf(format, args...),
	})
}

func (c *checker) compile(before []Sensor) compiled {
	s := c.sensor
	c.name(before)
	if err := ValidFilter(s.Topic); err != nil {
		c.fault(-1, "topic", "%v", err)
	} else if Own(s.Topic) {
		c.fault(-1, "topic", "topics under %s are what ebbline itself publishes; let the device use another", ownTopics)
	}
	out := compiled{Sensor: s}
	senml := s.Format == SenMLFormat
	if s.Format != PlainFormat && !senml {
		c.fault(-1, "format", "%q is not known; %q, or leave it out for JSON with pointers", s.Format, SenMLFormat)
	}
	if s.Time != "" {
		p, err := parsePointer(s.Time)
		switch {
		case senml:
			c.fault(-1, "time", "a SenML pack carries its own times; leave time out")
		case err != nil:
			c.fault(-1, "time", "%v", err)
		}
		out.time = p
	}
	if len(s.Readings) == 0 {
		c.fault(-1, "readings", "at least one is needed, such as {quantity: gravity, pointer: /g, unit: sg}")
	}
	given := map[Quantity]bool{}
	for i, r := range s.Readings {
		out.readings = append(out.readings, c.reading(i, r, given))
		out.wantsTemperature = out.wantsTemperature || r.CalibratedAt != nil
	}
	return out
}

// name also refuses names that a wildcard of another sensor could make.
func (c *checker) name(before []Sensor) {
	s := c.sensor
	if why := badName(s.Name); why != "" {
		c.fault(-1, "name", "%s", why)
		return
	}
	wild := hasWildcard(s.Topic)
	for _, o := range before { // ten thousand of them make fifty million pairs
		switch {
		case o.Name == s.Name:
			c.fault(-1, "name", "%q is already the name of another sensor", s.Name)
			return
		case under(s.Name, o.Name) && hasWildcard(o.Topic), wild && under(o.Name, s.Name):
			c.fault(-1, "name", "%q and %q could become the same name, because one has a wildcard in its topic", s.Name, o.Name)
			return
		}
	}
}

// under reports whether a wildcard could make the name of the other's.
func under(name, other string) bool {
	return len(name) > len(other) && name[len(other)] == '/' && strings.HasPrefix(name, other)
}

// badName says why a text cannot name a sensor, or nothing.
func badName(name string) string {
	switch {
	case name == "":
		return "a sensor needs a name, such as float-1"
	case len(name) > maxName:
		return fmt.Sprintf("a sensor's name has at most %d bytes", maxName)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, unicode.IsControl):
		return "a sensor's name is text without control characters"
	case strings.TrimSpace(name) != name:
		return fmt.Sprintf("%q: a sensor's name neither starts nor ends with a space", name)
	}
	return ""
}

func (c *checker) reading(i int, r ReadingSpec, given map[Quantity]bool) compiledReading {
	out := compiledReading{ReadingSpec: r}
	if !slices.Contains(Quantities(), r.Quantity) {
		c.fault(i, "quantity", "%q is not known; one of %s", r.Quantity, list(Quantities()))
		return out
	}
	gives := []Quantity{r.Quantity}
	if r.Quantity == Tilt && len(r.Calibration) > 0 {
		gives = append(gives, Gravity)
	}
	for _, q := range gives {
		if given[q] {
			c.fault(i, "quantity", "%s is given twice by this sensor; make a second sensor on the same topic of it", q)
		}
		given[q] = true
	}
	out.at = c.place(i, r)
	out.Unit = c.unit(i, r)
	c.correction(i, r)
	return out
}

// place checks where the value stands: pointer or record name.
func (c *checker) place(i int, r ReadingSpec) pointer {
	if c.sensor.Format == SenMLFormat {
		if r.Pointer != "" {
			c.fault(i, "pointer", "SenML values are found by record, the record's full name")
		}
		if err := validRecordName(r.Record); err != nil {
			c.fault(i, "record", "%v", err)
		}
		return nil
	}
	if r.Record != "" {
		c.fault(i, "record", "only with format: senml; otherwise use pointer")
	}
	p, err := parsePointer(r.Pointer)
	if err != nil {
		c.fault(i, "pointer", "%v", err)
	}
	return p
}

// unit checks the unit; pH and tilt have only one that people use.
func (c *checker) unit(i int, r ReadingSpec) string {
	allowed := Units(r.Quantity)
	switch {
	case r.Unit == "%" && c.sensor.Format == SenMLFormat && slices.Contains(allowed, "/"):
		return "/" // as the registry has it
	case slices.Contains(allowed, r.Unit):
	case r.Unit != "":
		c.fault(i, "unit", "%q is not a unit of %s; one of %s", r.Unit, r.Quantity, list(c.usual(allowed)))
	case c.sensor.Format == SenMLFormat: // the record's own
	case r.Quantity == PH || r.Quantity == Tilt:
		return allowed[0]
	default:
		c.fault(i, "unit", "missing; %s is given in one of %s", r.Quantity, list(c.usual(allowed)))
	}
	return r.Unit
}

// usual leaves out the codes that only a SenML pack has a use for, such as "/".
func (c *checker) usual(units []string) []string {
	if c.sensor.Format == SenMLFormat {
		return units
	}
	return slices.DeleteFunc(slices.Clone(units), func(u string) bool { return strings.HasPrefix(u, "/") || u == "%EL" })
}

// correction checks what is only for gravities: scale temperature, expansion
// and the calibration of a tilt.
func (c *checker) correction(i int, r ReadingSpec) {
	gives := r.Quantity == Gravity || r.Quantity == Tilt && len(r.Calibration) > 0
	if len(r.Calibration) > 0 && r.Quantity != Tilt && r.Quantity != Gravity {
		c.fault(i, "calibration", "only for tilt and gravity; a %s needs none", r.Quantity)
	}
	if len(r.Calibration) > MaxCalibration {
		c.fault(i, "calibration", "at most %d coefficients", MaxCalibration)
	}
	if slices.ContainsFunc(r.Calibration, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }) {
		c.fault(i, "calibration", "every coefficient is a finite number")
	}
	switch {
	case r.CalibratedAt == nil:
	case !gives:
		c.fault(i, "calibrated_at", "only for gravity, or tilt with a calibration")
	case !(*r.CalibratedAt >= minScale && *r.CalibratedAt <= maxScale):
		c.fault(i, "calibrated_at", "%g Cel; a scale is made for %g to %g Cel", float64(*r.CalibratedAt), float64(minScale), float64(maxScale))
	}
	if r.Expansion != 0 && r.CalibratedAt == nil {
		c.fault(i, "expansion", "only with calibrated_at")
	}
	if !(r.Expansion >= 0 && r.Expansion <= MaxExpansion) {
		c.fault(i, "expansion", "%g; per kelvin, 0 to %g (glass 25e-6)", r.Expansion, MaxExpansion)
	}
}

// A float's scale is made for room temperature or near it.
const (
	minScale gravity.Celsius = 0
	maxScale gravity.Celsius = 40
)

// MaxExpansion bounds the cubic expansion of a float's body, per kelvin;
// polyethylene, the most yielding body, has about 6e-4 (common practice).
const MaxExpansion = 1e-3

// list renders allowed values for a person.
func list[T ~string](values []T) string {
	texts := make([]string, len(values))
	for i, v := range values {
		texts[i] = string(v)
	}
	return strings.Join(texts, ", ")
}
