package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// sensorBook is what was entered on the page about sensors: definitions, and
// calibrations of any sensor. Both are only ever added to; the last one of a name
// is in force. The journal keeps it as one setting.
type sensorBook struct {
	Defined      []definition       `json:"defined"`
	Calibrations []page.Calibration `json:"calibrations"`
}

type definition struct {
	At   time.Time       `json:"at"`
	Spec json.RawMessage `json:"spec"` // as config.EncodeSensors writes it

	sensor ingest.Sensor
}

const bookKey = "sensors of the page"

// openBook reads what was entered before.
func (d *daemon) openBook(ctx context.Context) error {
	raw, ok, err := d.journal.Get(ctx, bookKey)
	if errors.Is(err, journal.ErrChanged) {
		d.log.Error("the sensors that were entered on the page cannot be read; their readings are refused", "error", err)
		d.bookLost = true
		return nil
	}
	if err != nil || !ok {
		return err
	}
	if err := json.Unmarshal([]byte(raw), &d.book); err != nil {
		return fmt.Errorf("reading the sensors that were defined on the page: %w", err)
	}
	for i := range d.book.Defined {
		all, err := config.ParseSensors("sensor of the page", d.book.Defined[i].Spec)
		if err != nil || len(all) != 1 {
			return fmt.Errorf("reading a sensor that was defined on the page: %w", err)
		}
		d.book.Defined[i].sensor = all[0]
	}
	return nil
}

// keepBook writes the book down and, if that worked, goes by it.
func (d *daemon) keepBook(ctx context.Context, next sensorBook) error {
	if d.bookLost {
		return &page.Refused{Text: "the sensors that were entered here were changed on the disk, and to write others would lose them: restore a backup first, or define the sensor in the configuration"}
	}
	raw, err := json.Marshal(next)
	if err != nil {
		return fmt.Errorf("writing the sensors: %w", err)
	}
	if err := d.journal.Set(ctx, bookKey, string(raw)); err != nil {
		return err
	}
	d.book = next
	return nil
}

// latest are the definitions in force, by name in order of defining.
func (b sensorBook) latest() []ingest.Sensor {
	var out []ingest.Sensor
	for _, one := range b.Defined {
		out = append(slices.DeleteFunc(out, func(s ingest.Sensor) bool { return s.Name == one.sensor.Name }), one.sensor)
	}
	return out
}

// of are the calibrations of a sensor, oldest first.
func (b sensorBook) of(sensor string) []page.Calibration {
	return slices.DeleteFunc(slices.Clone(b.Calibrations), func(c page.Calibration) bool { return c.Sensor != sensor })
}

// calibrated is the sensor with the calibration in force, unless its definition
// brings one of its own.
func (b sensorBook) calibrated(s ingest.Sensor) (out ingest.Sensor, overruled bool) {
	all := b.of(s.Name)
	if len(all) == 0 {
		return s, false
	}
	c := all[len(all)-1]
	if c.Quantity == ingest.Tilt && slices.ContainsFunc(s.Readings, func(r ingest.ReadingSpec) bool { return r.Quantity == ingest.Gravity }) {
		return s, true // it gives a gravity itself by now, and would give two
	}
	s.Readings = slices.Clone(s.Readings)
	for i, r := range s.Readings {
		switch {
		case r.Quantity != c.Quantity:
		case len(r.Calibration) > 0:
			overruled = true
		default:
			s.Readings[i].Calibration = c.Fit.Coefficients
		}
	}
	return s, overruled
}

// settled are the sensors that messages are read by: those of configuration and
// batch files, which go first, then those of the page that fit beside them, all
// with their calibrations. Why one of the page is not used is told by its name.
func (d *daemon) settled(files map[string]ingest.Sensor) (all []ingest.Sensor, unused map[string]string) {
	unused = map[string]string{}
	for _, s := range sensorList(files) {
		s, _ = d.book.calibrated(s)
		all = append(all, s)
	}
	for _, s := range d.book.latest() {
		if files[s.Name].Name != "" {
			unused[s.Name] = fmt.Sprintf("%s defines %s too, and goes before what was entered here.", firstUpper(d.sourceOf(s.Name)), s.Name)
			continue
		}
		s, _ = d.book.calibrated(s)
		if _, err := ingest.Compile(append(slices.Clone(all), s)); err != nil {
			unused[s.Name] = "It does not fit beside the others: " + strings.ReplaceAll(err.Error(), "\n", "; ") + "."
			continue
		}
		all = append(all, s)
	}
	return all, unused
}

func firstUpper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// sourceOf is where a sensor of this name is defined besides the page.
func (d *daemon) sourceOf(name string) string {
	if slices.ContainsFunc(d.conf().Sensors, func(s ingest.Sensor) bool { return s.Name == name }) {
		return page.FromConfig
	}
	return page.FromBatch
}

// knownSensors lists every sensor that is defined, for the page.
func (d *daemon) knownSensors() []page.KnownSensor {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	all, unused := d.settled(d.sensors)
	var out []page.KnownSensor
	for _, s := range all {
		k := page.KnownSensor{Sensor: s, Source: page.FromPage, Calibrations: d.book.of(s.Name)}
		if own, ok := d.sensors[s.Name]; ok {
			k.Source = d.sourceOf(s.Name)
			_, k.Overruled = d.book.calibrated(own)
		}
		out = append(out, k)
	}
	for _, s := range d.book.latest() {
		if why := unused[s.Name]; why != "" {
			out = append(out, page.KnownSensor{Sensor: s, Source: page.FromPage, Unused: why})
		}
	}
	return out
}

// DefineSensor takes up a sensor that was put together on the page.
func (d *daemon) DefineSensor(ctx context.Context, s ingest.Sensor) error {
	spec, err := config.EncodeSensors([]ingest.Sensor{s})
	if err != nil {
		return err
	}
	if err := d.define(ctx, definition{At: d.clock.Now(), Spec: spec, sensor: s}); err != nil {
		return err
	}
	return d.refilter()
}

func (d *daemon) define(ctx context.Context, one definition) error {
	d.sensorMu.Lock()
	defer d.sensorMu.Unlock()
	s := one.sensor
	if _, taken := d.sensors[s.Name]; taken {
		return &page.Refused{Field: "name", Text: fmt.Sprintf("%s defines a sensor of this name. Choose another.", firstUpper(d.sourceOf(s.Name)))}
	}
	for _, old := range d.book.latest() {
		if old.Name == s.Name && old.Topic != s.Topic {
			return &page.Refused{Field: "name", Text: fmt.Sprintf("A sensor of this name listens to %s. Choose another name.", old.Topic)}
		}
	}
	next := sensorBook{append(slices.Clone(d.book.Defined), one), d.book.Calibrations}
	others, _ := d.settled(d.sensors)
	others = slices.DeleteFunc(others, func(o ingest.Sensor) bool { return o.Name == s.Name })
	_, err := ingest.Compile(append(others, s))
	var faults ingest.SpecErrors
	if errors.As(err, &faults) {
		return &page.Refused{Field: faults[0].Field, Text: faults[0].Text}
	}
	return d.keepBook(ctx, next)
}

// Calibrate makes a calibration the sensor's own from the next message on.
func (d *daemon) Calibrate(ctx context.Context, c page.Calibration) error {
	if len(c.Pairs) > 0 {
		fit, err := ingest.FitPairs(c.Quantity, c.Pairs, c.Degree)
		if err != nil {
			return &page.Refused{Field: "pairs", Text: err.Error()}
		}
		c.Fit = fit
	}
	if !slices.ContainsFunc(d.knownSensors(), func(k page.KnownSensor) bool { return k.Sensor.Name == c.Sensor }) {
		return &page.Refused{Field: "sensor", Text: fmt.Sprintf("there is no sensor %q", c.Sensor)}
	}
	c.At = d.clock.Now()
	d.sensorMu.Lock()
	err := d.keepBook(ctx, sensorBook{d.book.Defined, append(slices.Clone(d.book.Calibrations), c)})
	d.sensorMu.Unlock()
	if err != nil {
		return err
	}
	return d.refilter()
}

// calibrationHealth tells of floats in a running batch that show what their
// calibration does not cover.
func (d *daemon) calibrationHealth() []page.HealthItem {
	var items []page.HealthItem
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	for _, k := range d.knownSensors() {
		n := len(k.Calibrations)
		if n == 0 || len(k.Calibrations[n-1].Pairs) == 0 || k.Overruled || !d.keeper.uses(k.Sensor.Name) {
			continue
		}
		c := k.Calibrations[n-1]
		last, ok, err := d.journal.LastReading(ctx, c.Sensor, c.Quantity)
		if err != nil || !ok || last.Time.Before(c.At) {
			continue
		}
		if text := page.Beyond(c, last.Value); text != "" {
			items = append(items, page.HealthItem{Code: "calibration", Text: text, Since: last.Time})
		}
	}
	return items
}
