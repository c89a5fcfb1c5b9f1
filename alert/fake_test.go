package alert

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

var pitch = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// brew is a batch of the tests' own.
func brew() projection.Batch {
	return projection.Batch{
		ID: "pale-wheat-12", Name: "pale wheat 12", Volume: 19, OriginalGravity: 1.0132,
		Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: gravity.Balling, Risk: 0.05, Yeast: projection.StandardYeast,
		PitchedAt: pitch, ResponseTime: 30 * time.Minute,
		Crash: projection.Crash{To: 2, TimeConstant: 5 * time.Hour}, Sensors: []string{"float-1"},
	}
}

// script says what is believed at a moment after the pitch.
type script func(at time.Time, b *scripted) (projection.Estimate, projection.Projection)

// scripted is a belief that follows a script. Everything it is given, in its
// order and with its time, goes into a sum: two beliefs with the same sum were
// given the same.
type scripted struct {
	Sum     uint64
	At      time.Time
	Crash   *time.Time
	Temp    *gravity.Celsius
	Samples int
	// Gravities counts the readings of floats.
	Gravities int

	script script
	wrong  *error // set when it is used as it must not be
}

type scripts struct {
	script script
	doubts func(at time.Time) []projection.Suspicion
	wrong  error
}

func (s *scripts) begin(b projection.Batch) (belief, error) {
	return &scriptedIn{scripted{At: b.PitchedAt, script: s.script, wrong: &s.wrong}, s}, nil
}

func (s *scripts) restore(_ projection.Batch, data []byte) (belief, error) {
	f := &scriptedIn{scripted{script: s.script, wrong: &s.wrong}, s}
	return f, json.Unmarshal(data, &f.scripted)
}

type scriptedIn struct {
	scripted
	from *scripts
}

func (f *scriptedIn) mix(what string, t time.Time, v float64) {
	if t.Before(f.At) {
		*f.wrong = fmt.Errorf("%s at %v after %v", what, t, f.At)
	}
	h := fnv.New64a()
	_ = binary.Write(h, binary.LittleEndian, f.Sum)
	_, _ = h.Write([]byte(what))
	_ = binary.Write(h, binary.LittleEndian, t.UnixNano())
	_ = binary.Write(h, binary.LittleEndian, math.Float64bits(v))
	f.Sum, f.At = h.Sum64(), t
}

func (f *scriptedIn) Observe(o projection.Observation) {
	f.mix("observe "+o.Sensor+string(o.Quantity), o.Time, o.Value)
	if o.Quantity == projection.Gravity {
		f.Gravities++
	}
	if o.Quantity == projection.Temperature {
		t := gravity.Celsius(o.Value)
		f.Temp = &t
	}
}

func (f *scriptedIn) Sample(s projection.Sample) {
	f.Samples++
	f.mix("sample", s.Time, 0)
}

func (f *scriptedIn) CrashStarted(t time.Time) {
	if f.Crash != nil {
		*f.wrong = errors.New("crash started twice")
	}
	f.Crash = &t
	f.mix("crash", t, 0)
}

func (f *scriptedIn) Advance(t time.Time) { f.mix("advance", t, 0) }

func (f *scriptedIn) Estimate() projection.Estimate {
	e, _ := f.script(f.At, &f.scripted)
	e.Time = f.At
	if e.Temperature == nil {
		e.Temperature = f.Temp
	}
	return e
}

func (f *scriptedIn) Project() projection.Projection {
	_, p := f.script(f.At, &f.scripted)
	p.Time = f.At
	return p
}

// CrashAt makes 0.01 % ABV of every hour until it starts.
func (f *scriptedIn) CrashAt(t time.Time) projection.Outcome {
	e, _ := f.script(f.At, &f.scripted)
	end := e.ABV + gravity.ABV(0.01*t.Sub(f.At).Hours())
	return projection.Outcome{Start: t, ABV: projection.Quantiles{P10: end - 0.05, P50: end, P90: end + 0.05}, Over: 0.02}
}

// HoldToMove moves the crash by two hours for each degree below 18 °C.
func (f *scriptedIn) HoldToMove(target time.Time, low, high gravity.Celsius) (projection.Held, bool) {
	_, p := f.script(f.At, &f.scripted)
	at := func(t gravity.Celsius) projection.Held {
		by := p.CrashBy.Add(time.Duration(float64(18-t) * 2 * float64(time.Hour)))
		return projection.Held{At: t, CrashBy: &by}
	}
	for t := high; t >= low; t -= 0.1 {
		if h := at(t); !h.CrashBy.Before(target) {
			return h, true
		}
	}
	return at(low), false
}

func (f *scriptedIn) MarshalBinary() ([]byte, error) { return json.Marshal(f.scripted) }

func (f *scriptedIn) copied() belief { c := *f; return &c }

func (f *scriptedIn) aside() belief { return f.copied() }

func (f *scriptedIn) idle() {}

func (f *scriptedIn) Suspect() []projection.Suspicion {
	if f.from.doubts == nil {
		return nil
	}
	return f.from.doubts(f.At)
}

// sums is a script whose estimate shows the sum of all that was given.
func sums(_ time.Time, b *scripted) (projection.Estimate, projection.Projection) {
	by := pitch.Add(time.Duration(24+b.Sum%48) * time.Hour)
	return projection.Estimate{Gravity: gravity.SG(1 + float64(b.Sum%10000)/1e6), GravitySD: 0.0004, ABV: 0.2, ABVSD: 0.05},
		projection.Projection{CrashBy: &by, Crosses: projection.Crossing{Probability: float64(b.Sum%100) / 100}, OverNow: float64(b.Sum%7) / 10}
}
