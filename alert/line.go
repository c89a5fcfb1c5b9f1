package alert

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Line is the event as one JSON object of the contract's replay output, without
// a line's end: SG to 5 digits, % ABV and probabilities to 4, °C to 2. Resolved
// has no line: nil.
func (e Event) Line() ([]byte, error) {
	var line any
	switch {
	case e.Estimate != nil:
		line = estimateLine(e.Time, e.Estimate)
	case e.Projection != nil:
		line = projectionLine(e.Time, e.Projection)
	case e.Alert != nil:
		line = struct {
			Type     string    `json:"type"`
			Time     time.Time `json:"time"`
			Kind     Kind      `json:"kind"`
			Severity Severity  `json:"severity"`
			Message  string    `json:"message"`
		}{"alert", e.Time.UTC(), e.Alert.Kind, e.Alert.Severity, e.Alert.Message}
	default:
		return nil, nil
	}
	b, err := json.Marshal(line)
	if err != nil {
		return nil, fmt.Errorf("writing an event at %s: %w", e.Time.UTC().Format(time.RFC3339), err)
	}
	return b, nil
}

// once rounds figures to the digits of the contract, before anybody speaks of them:
// rounded from there, a figure reads alike in a sentence, a tile and a script.
func once(e *projection.Estimate, p *projection.Projection) {
	e.Gravity, e.GravitySD = gravity.SG(digits(float64(e.Gravity), 5)), gravity.SG(digits(float64(e.GravitySD), 6))
	e.ABV, e.ABVSD = gravity.ABV(digits(float64(e.ABV), 4)), gravity.ABV(digits(float64(e.ABVSD), 4))
	if e.Temperature != nil {
		e.Temperature = new(gravity.Celsius(*optional(e.Temperature)))
	}
	for _, q := range []*projection.Quantiles{&p.ABVIfLeft, &p.ABVIfCrashedNow} {
		for _, v := range []*gravity.ABV{&q.P10, &q.P50, &q.P90} {
			*v = gravity.ABV(digits(float64(*v), 4))
		}
	}
}

func estimateLine(at time.Time, e *projection.Estimate) any {
	return struct {
		Type        string    `json:"type"`
		Time        time.Time `json:"time"`
		Gravity     float64   `json:"gravity"`
		GravitySD   float64   `json:"gravity_sd"`
		ABV         float64   `json:"abv"`
		ABVSD       float64   `json:"abv_sd"`
		Temperature *float64  `json:"temperature"`
	}{
		"estimate", at.UTC(), digits(float64(e.Gravity), 5), digits(float64(e.GravitySD), 6),
		digits(float64(e.ABV), 4), digits(float64(e.ABVSD), 4), optional(e.Temperature),
	}
}

type crossesLine struct {
	Probability float64    `json:"probability"`
	P10         *time.Time `json:"p10"`
	P50         *time.Time `json:"p50"`
	P90         *time.Time `json:"p90"`
}

type quantilesLine struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

func projectionLine(at time.Time, p *projection.Projection) any {
	return struct {
		Type      string        `json:"type"`
		Time      time.Time     `json:"time"`
		Crosses   crossesLine   `json:"crosses"`
		CrashBy   *time.Time    `json:"crash_by"`
		IfLeft    quantilesLine `json:"abv_if_left"`
		IfCrashed quantilesLine `json:"abv_if_crashed_now"`
	}{
		"projection", at.UTC(),
		crossesLine{digits(p.Crosses.Probability, 4), seconds(p.Crosses.P10), seconds(p.Crosses.P50), seconds(p.Crosses.P90)},
		seconds(p.CrashBy), quantiles(p.ABVIfLeft), quantiles(p.ABVIfCrashedNow),
	}
}

func quantiles(q projection.Quantiles) quantilesLine {
	return quantilesLine{digits(float64(q.P10), 4), digits(float64(q.P50), 4), digits(float64(q.P90), 4)}
}

// seconds is t in UTC on the full second, nil if there is none.
func seconds(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC().Round(time.Second)
	return &u
}

func optional(t *gravity.Celsius) *float64 {
	if t == nil {
		return nil
	}
	v := digits(float64(*t), 2)
	return &v
}

// digits rounds to n decimals. A value that is no number is left as it is: JSON
// refuses it, and so does Line.
func digits(v float64, n int) float64 {
	scale := math.Pow10(n)
	return math.Round(v*scale)/scale + 0 // plus zero: never "-0"
}
