package config

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// BatchFile is a batch as its file describes it (contract §5).
type BatchFile struct {
	Batch   projection.Batch
	Samples []projection.Sample
	// Sensors are those that the file itself defines.
	Sensors []ingest.Sensor
	// Temperature is the range the beer should keep while it ferments; nil:
	// not said.
	Temperature *Range
	// HeadsUp are the leads of crash-soon, longest first; nil: not said.
	HeadsUp []time.Duration
	// Quiet are the batch's own quiet hours, in the place of the configuration's;
	// nil: not said.
	Quiet *Quiet
	// Raw is the batch in canonical JSON, for the record; DecodeSpec reads it.
	Raw json.RawMessage
	// Warnings are no faults, but worth a second look; one line each.
	Warnings []string

	pitched Error   // where pitched_at stands, without a text
	never   []error // what nobody means, see Impossible
}

// File is the name of the file in which the batch was read; empty: none.
func (f BatchFile) File() string { return f.pitched.File }

// Ahead is the fault of a batch that is pitched later than now, by more than
// leeway, which is how far clocks of people and machines may differ. A file does
// not have it by itself: a capture may be of any time.
func (f BatchFile) Ahead(now time.Time, leeway time.Duration) error {
	by := f.Batch.PitchedAt.Sub(now)
	if by <= leeway {
		return nil
	}
	far := fmt.Sprintf("%d min", by/time.Minute)
	switch {
	case by >= 48*time.Hour:
		far = fmt.Sprintf("%d days", by/(24*time.Hour))
	case by >= 2*time.Hour:
		far = fmt.Sprintf("%d h", by/time.Hour)
	}
	fault := f.pitched
	fault.Text = fmt.Sprintf("pitched_at lies %s ahead; write when you pitched, with its zone (now it is %s)", far, now.UTC().Format(time.RFC3339))
	return &fault
}

// Range is a range of temperatures.
type Range struct{ Low, High gravity.Celsius }

// What a batch is taken to be where its file says nothing.
const (
	DefaultRisk         = 0.05
	DefaultResponse     = 30 * time.Minute
	DefaultCrashTo      = gravity.Celsius(2)
	DefaultTimeConstant = 8 * time.Hour // a refrigerator without fan: 5–10 h
	// DefaultGravitySD is that of a hand sample, in points.
	DefaultGravitySD = gravity.Points(0.4)
)

// LoadBatch reads a batch file. A sensor that the batch names must be defined
// in the file or elsewhere, as the Defined say; a file that defines none, with
// no Defined given, is taken to mean sensors known to the caller. The error is
// an Errors with every fault, or tells that the file cannot be read.
func LoadBatch(path string, elsewhere ...Defined) (BatchFile, error) {
	data, err := ReadFile(path, "a batch file")
	if err != nil {
		return BatchFile{}, err
	}
	return ParseBatch(path, data, elsewhere...)
}

// ParseBatch is LoadBatch for a text at hand, YAML or JSON; name stands for the
// file in errors.
func ParseBatch(name string, data []byte, elsewhere ...Defined) (BatchFile, error) {
	r := &reader{file: name}
	top := r.root(data)
	if top == nil {
		return BatchFile{}, r.errs
	}
	o := r.object(top, batchFileKeys())
	f := BatchFile{Sensors: r.sensors(o.items("sensors"))}
	if n := o.need("batch"); n != nil {
		r.batch(n, &f, elsewhere)
	}
	if len(r.errs) > 0 {
		return BatchFile{}, r.errs.sorted()
	}
	var err error
	f.Raw, err = encodeSpec(f)
	return f, err
}

// batch reads the batch itself into f, whose sensors are read already.
func (r *reader) batch(n *yaml.Node, f *BatchFile, elsewhere []Defined) {
	o := r.object(n, batchKeys())
	b := &f.Batch
	b.Name = r.batchName(o)
	if o.need("volume") != nil {
		b.Volume = in(o, "volume", r.litres)
	}
	if o.need("original_gravity") != nil {
		b.OriginalGravity = in(o, "original_gravity", r.gravity)
	}
	b.OriginalGravitySD = DefaultGravitySD
	if v := o.get("original_gravity_sd"); v != nil {
		b.OriginalGravitySD = r.gravitySD(v)
	}
	if v := o.need("ceiling"); v != nil {
		b.Ceiling = r.ceiling(v)
	}
	b.Rule = oneOf[gravity.Rule](o, "abv_rule")
	b.Risk = DefaultRisk
	if v := o.get("risk"); v != nil {
		x, ok := r.number(v, "risk")
		if b.Risk = x; ok && !(x > 0 && x < 1) {
			r.fail(v, "risk: %g; a probability between 0 and 1, such as 0.05", x)
		}
	}
	b.Yeast = oneOf[projection.Yeast](o, "yeast")
	if v := o.need("pitched_at"); v != nil {
		b.PitchedAt = r.when(v, "pitched_at")
		f.pitched = Error{File: r.file, Line: v.Line, Column: v.Column}
	}
	b.ResponseTime = o.duration("response_time")
	r.crash(o, b)
	r.batchSensors(o, f, elsewhere)
	for _, item := range o.items("samples") {
		if s, ok := r.sample(item, b.PitchedAt); ok {
			f.Samples = append(f.Samples, s)
		}
	}
	r.extras(o, f)
	b.ID = r.batchID(o, b)
	r.judge(o, f)
}

func (r *reader) batchName(o object) string {
	n := o.need("name")
	if n == nil {
		return ""
	}
	s := r.scalar(n, "name", "text")
	if utf8.RuneCountInString(s) > 100 || strings.ContainsFunc(s, unicode.IsControl) {
		r.fail(n, "name: one line of at most 100 characters")
	}
	return s
}

// gravitySD reads a standard deviation in SG: half a point is 0.0005.
func (r *reader) gravitySD(n *yaml.Node) gravity.Points {
	x, ok := r.number(n, "original_gravity_sd")
	if ok && !(x > 0 && x <= 0.01) {
		r.fail(n, "original_gravity_sd: %g; in SG, more than 0 up to 0.01 (half a point is 0.0005)", x)
	}
	return gravity.Points(math.Round(x*1e9) / 1e6) // so that writing and reading it back is exact
}

// ceiling reads "0.5" or "< 0.5", % ABV; nought is no ceiling for beer.
func (r *reader) ceiling(n *yaml.Node) gravity.Ceiling {
	c, _ := quantity(r, n, "ceiling", "a strength in % ABV such as 0.5 or \"< 0.5\"", parseCeiling)
	return c
}

func parseCeiling(s string) (gravity.Ceiling, error) {
	c, err := gravity.ParseCeiling(s)
	switch {
	case c.Limit < 0 || c.Limit == 0 && (c.Strict || err == nil):
		err = fmt.Errorf("%g %% ABV is passed with the first sugar that ferments; more than 0 is needed", float64(c.Limit))
	case c.Limit > 20:
		err = fmt.Errorf("%g %% ABV; allowed is more than 0 up to 20", float64(c.Limit))
	}
	return c, err
}

func (r *reader) crash(o object, b *projection.Batch) {
	b.Crash = projection.Crash{To: DefaultCrashTo, TimeConstant: DefaultTimeConstant}
	n := o.get("crash")
	if n == nil {
		return
	}
	c := r.object(n, crashKeys())
	if c.get("to") != nil {
		b.Crash.To = in(c, "to", r.celsius)
	}
	b.Crash.TimeConstant = c.duration("time_constant")
}

// batchSensors reads the names of the batch's sensors and checks that someone
// defines them.
func (r *reader) batchSensors(o object, f *BatchFile, elsewhere []Defined) {
	if o.need("sensors") == nil {
		return
	}
	if len(f.Sensors) == 0 && len(elsewhere) == 0 {
		elsewhere = []Defined{func(string) bool { return true }}
	}
	own := Names(f.Sensors)
	for _, n := range o.items("sensors") {
		name := r.scalar(n, "sensors", "the name of a sensor")
		switch {
		case name == "":
		case slices.Contains(f.Batch.Sensors, name):
			r.fail(n, "sensors: %q is named twice", cut(name))
		case !own(name) && !slices.ContainsFunc(elsewhere, func(d Defined) bool { return d(name) }):
			r.fail(n, "sensors: %q is not defined%s", cut(name), known(f.Sensors, name))
		default:
			f.Batch.Sensors = append(f.Batch.Sensors, name)
		}
	}
}

// known lists the sensors that a file defines, for a message.
func known(sensors []ingest.Sensor, name string) string {
	if len(sensors) == 0 {
		return "; define it under sensors: in this file or in the configuration"
	}
	var names []string
	for _, s := range sensors {
		if strings.ContainsAny(s.Topic, "+#") {
			if s.Name == name {
				return "; its topic has a wildcard, so name one of its sensors: " + name + "/ and what the wildcard matches"
			}
			names = append(names, s.Name+"/…")
			continue
		}
		names = append(names, s.Name)
	}
	return "; this file defines " + strings.Join(names, ", ")
}

// sample reads one measurement taken by hand.
func (r *reader) sample(n *yaml.Node, pitched time.Time) (projection.Sample, bool) {
	before := len(r.errs)
	o := r.object(n, sampleKeys())
	var s projection.Sample
	if v := o.need("time"); v != nil {
		s.Time = r.when(v, "time")
		if !s.Time.IsZero() && s.Time.Before(pitched) {
			r.fail(v, "time: the sample is before pitched_at, %s; the sample at pitch is original_gravity", pitched.Format(time.RFC3339))
		}
	}
	if o.get("gravity") != nil {
		g := in(o, "gravity", r.gravity)
		s.Gravity = &g
	}
	if v := o.get("temperature"); v != nil {
		t := in(o, "temperature", r.celsius)
		s.Temperature = &t
		if s.Gravity == nil {
			r.fail(v, "temperature: only together with gravity, the temperature at which it was read")
		}
	}
	if o.get("brix") != nil {
		x := o.within("brix")
		bx := gravity.Brix(x)
		s.Brix = &bx
	}
	if o.get("ph") != nil {
		x := o.within("ph")
		s.PH = &x
	}
	if s.Gravity == nil && s.Brix == nil && s.PH == nil && n.Kind == yaml.MappingNode {
		r.fail(n, "sample: nothing was measured; give gravity, brix or ph")
	}
	return s, len(r.errs) == before
}

// extras reads what goes beyond the contract: the range of temperatures and
// its planned steps, the leads of crash-soon and quiet hours.
func (r *reader) extras(o object, f *BatchFile) {
	if n := o.get("quiet"); n != nil {
		f.Quiet = r.quiet(n)
	}
	if n := o.get("temperature"); n != nil {
		t := r.object(n, rangeKeys())
		low, high := t.need("low"), t.need("high")
		if low != nil && high != nil {
			f.Temperature = &Range{in(t, "low", r.celsius), in(t, "high", r.celsius)}
			if f.Temperature.Low >= f.Temperature.High {
				r.fail(n, "temperature: low is not below high")
			}
		}
	}
	for _, item := range o.items("temperature_steps") {
		s := r.object(item, stepKeys())
		at, to := s.need("at"), s.need("to")
		if at == nil || to == nil {
			continue
		}
		step := projection.Step{At: r.when(at, "at"), To: in(s, "to", r.celsius)}
		if !step.At.IsZero() && step.At.Before(f.Batch.PitchedAt) {
			r.fail(at, "at: the step is before pitched_at, %s", f.Batch.PitchedAt.Format(time.RFC3339))
		}
		f.Batch.Steps = append(f.Batch.Steps, step)
	}
	slices.SortStableFunc(f.Batch.Steps, func(a, b projection.Step) int { return a.At.Compare(b.At) })
	leads := o.keys.item("heads_up")
	for _, n := range o.items("heads_up") {
		f.HeadsUp = append(f.HeadsUp, r.duration(n, leads))
	}
	slices.SortFunc(f.HeadsUp, func(a, b time.Duration) int { return cmp.Compare(b, a) })
	f.HeadsUp = slices.Compact(f.HeadsUp)
}

// batchID is the id of the file, or one made of name and pitch date, such as
// pale-wheat-12-20260302.
func (r *reader) batchID(o object, b *projection.Batch) string {
	if n := o.get("id"); n != nil {
		id := r.scalar(n, "id", "a short name such as pale-wheat-12")
		if id != "" && !regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,79}$`).MatchString(id) {
			r.fail(n, "id: %q; lower-case letters a–z, digits and -, at most 80", cut(id))
		}
		return id
	}
	if b.PitchedAt.IsZero() {
		return ""
	}
	return slug(b.Name) + "-" + b.PitchedAt.Format("20060102")
}

// slug makes a name fit for a URL, a topic and a file: letters a–z, digits, -.
// A name that loses more than spaces and punctuation by it, such as one in
// another script, gets a short checksum, so that two such names stay apart.
func slug(name string) string {
	const longest = 60
	var s strings.Builder
	lost := false
	for _, c := range strings.ToLower(name) {
		switch {
		case c >= 'a' && c <= 'z' || c >= '0' && c <= '9':
			s.WriteRune(c)
			continue
		case c > unicode.MaxASCII:
			lost = true
		}
		if s.Len() > 0 && !strings.HasSuffix(s.String(), "-") {
			s.WriteByte('-')
		}
	}
	out := strings.TrimSuffix(s.String()[:min(s.Len(), longest)], "-")
	if out == "" {
		out = "batch"
	}
	if lost || s.Len() > longest {
		h := fnv.New32a()
		_, _ = h.Write([]byte(name))
		out = fmt.Sprintf("%s-%04x", out, h.Sum32()&0xffff)
	}
	return out
}
