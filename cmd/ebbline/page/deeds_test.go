package page

import (
	"context"
	"errors"
	"slices"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// bench is what the daemon knows besides the journal, in the least form.
type bench struct {
	known    []KnownSensor
	quiet    QuietState
	channels []ChannelState
	tried    []string
	looking  Looking
	right    int              // how often the clock was said to be right
	started  func(raw []byte) // told of each batch file; nil: nobody
}

// knows hands it to the page.
func (d *deeds) knows(o *Options) {
	float := func(name string, r ...ingest.ReadingSpec) KnownSensor {
		return KnownSensor{Source: FromConfig, Sensor: ingest.Sensor{Name: name, Topic: "cellar/" + name, Readings: append(r,
			ingest.ReadingSpec{Quantity: ingest.Temperature, Pointer: "/t", Unit: "Cel"})}}
	}
	shown := ingest.ReadingSpec{Quantity: ingest.Gravity, Pointer: "/g", Unit: "sg"}
	d.known = []KnownSensor{
		float("float-1", shown), float("float-2", shown), float("float-3", shown),
		float("float-8", ingest.ReadingSpec{Quantity: ingest.Tilt, Pointer: "/a"}),
	}
	d.channels = []ChannelState{
		{Name: "lamp", LastSuccess: noon.Add(-20 * time.Hour)},
		{Name: "pocket", LastSuccess: noon.Add(-30 * time.Hour), LastFailure: noon.Add(-time.Hour), LastError: "ntfy.example answers 404", FailingSince: noon.Add(-2 * time.Hour)},
	}
	o.Sensors = func() []KnownSensor { return d.known }
	o.Quiet = func() QuietState { return d.quiet }
	o.Channels = func() []ChannelState { return d.channels }
	o.Looking = func() Looking { return d.looking }
	o.Packaging = func(string, Units) []string {
		return []string{"Kegged under CO2 and kept cold it stays near 0.37 ± 0.06 % ABV. Primed for bottles, each volume of CO2 adds 0.26 % ABV: 2 volumes make it 0.89 ± 0.06 % ABV, above the ceiling of 0.5 % ABV."}
	}
	o.Plan = func(q PlanRequest) (Plan, error) {
		stop, crash := q.OriginalGravity-0.003, q.OriginalGravity-0.002
		return Plan{Target: q.OriginalGravity - 0.0038, StopAt: &stop, CrashAt: &crash, MarginPoints: 0.8, Lead: [2]float64{6, 14}, Days: [2]float64{1.4, 3.2}}, nil
	}
}

func (d *deeds) Strike(ctx context.Context, batch string, e Strike) error {
	return d.enter(ctx, batch, journal.StruckEntry, e.Time, journal.StrikeKey(e.Seq), map[string]int64{"seq": e.Seq})
}

func (d *deeds) SetSensors(ctx context.Context, batch string, w Swap) error {
	return d.enter(ctx, batch, journal.SensorChanged, w.Time, w.Key, map[string][]string{"sensors": append([]string{}, w.Sensors...)})
}

func (d *deeds) SetQuiet(_ context.Context, q *Quiet) error {
	d.quiet.Hours = q
	return nil
}

func (d *deeds) TryChannel(_ context.Context, name string) error {
	if name == "pocket" {
		return errors.New("ntfy.example answers 404: there is no such topic")
	}
	d.tried = append(d.tried, name)
	return nil
}

func (d *deeds) LookAround(context.Context) error {
	d.looking.Left = 10 * time.Minute
	return nil
}

func (d *deeds) PutRight(context.Context) error {
	d.right++
	return nil
}

func (d *deeds) DefineSensor(_ context.Context, s ingest.Sensor) error {
	if s.Name == "float-1" {
		return &Refused{Field: "name", Text: "The configuration defines a sensor of this name. Choose another."}
	}
	d.known = append(d.known, KnownSensor{Sensor: s, Source: FromPage})
	return nil
}

func (d *deeds) Calibrate(_ context.Context, c Calibration) error {
	i := slices.IndexFunc(d.known, func(k KnownSensor) bool { return k.Sensor.Name == c.Sensor })
	d.known[i].Calibrations = append(d.known[i].Calibrations, c)
	return nil
}
