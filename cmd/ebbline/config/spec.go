package config

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"ebbline/projection/gravity"
)

// The record keeps a batch in the words of a batch file (contract §5), as
// canonical JSON with every default written out; so the format on disk is the
// contract, and DecodeSpec is ParseBatch.

type batchSpec struct {
	Batch   batchBody    `json:"batch"`
	Sensors []sensorSpec `json:"sensors,omitempty"`
}

type batchBody struct {
	ID                string       `json:"id"`
	Name              string       `json:"name"`
	Volume            string       `json:"volume"`
	OriginalGravity   gravity.SG   `json:"original_gravity"`
	OriginalGravitySD float64      `json:"original_gravity_sd"`
	Ceiling           string       `json:"ceiling"`
	Rule              string       `json:"abv_rule"`
	Risk              float64      `json:"risk"`
	Yeast             string       `json:"yeast"`
	PitchedAt         time.Time    `json:"pitched_at"`
	ResponseTime      string       `json:"response_time"`
	Crash             crashSpec    `json:"crash"`
	Sensors           []string     `json:"sensors"`
	Samples           []sampleSpec `json:"samples,omitempty"`
	Temperature       *rangeSpec   `json:"temperature,omitempty"`
	Steps             []stepSpec   `json:"temperature_steps,omitempty"`
	HeadsUp           []string     `json:"heads_up,omitempty"`
	Quiet             *quietSpec   `json:"quiet,omitempty"`
}

type crashSpec struct {
	To           string `json:"to"`
	TimeConstant string `json:"time_constant"`
}

type rangeSpec struct {
	Low  string `json:"low"`
	High string `json:"high"`
}

type stepSpec struct {
	At time.Time `json:"at"`
	To string    `json:"to"`
}

type quietSpec struct {
	From string `json:"from"`
	To   string `json:"to"`
}

type sampleSpec struct {
	Time        time.Time     `json:"time"`
	Gravity     *gravity.SG   `json:"gravity,omitempty"`
	Temperature string        `json:"temperature,omitempty"`
	Brix        *gravity.Brix `json:"brix,omitempty"`
	PH          *float64      `json:"ph,omitempty"`
}

// Spec is the batch for the record: Raw, or the same made of the other fields.
func (f BatchFile) Spec() (json.RawMessage, error) {
	if len(f.Raw) > 0 {
		return f.Raw, nil
	}
	return encodeSpec(f)
}

// encodeSpec writes a batch in canonical JSON.
func encodeSpec(f BatchFile) (json.RawMessage, error) {
	b := f.Batch
	body := batchBody{
		ID: b.ID, Name: b.Name, Volume: numberText(float64(b.Volume)) + " L",
		OriginalGravity: b.OriginalGravity, OriginalGravitySD: math.Round(float64(b.OriginalGravitySD)*1e6) / 1e9,
		Ceiling: b.Ceiling.String(), Rule: string(b.Rule), Risk: b.Risk, Yeast: string(b.Yeast),
		PitchedAt: b.PitchedAt, ResponseTime: b.ResponseTime.String(),
		Crash:   crashSpec{celsiusText(&b.Crash.To), b.Crash.TimeConstant.String()},
		Sensors: append([]string{}, b.Sensors...),
	}
	for _, s := range f.Samples {
		body.Samples = append(body.Samples, sampleSpec{s.Time, s.Gravity, celsiusText(s.Temperature), s.Brix, s.PH})
	}
	if f.Temperature != nil {
		body.Temperature = &rangeSpec{celsiusText(&f.Temperature.Low), celsiusText(&f.Temperature.High)}
	}
	for _, s := range b.Steps {
		body.Steps = append(body.Steps, stepSpec{s.At, celsiusText(&s.To)})
	}
	for _, d := range f.HeadsUp {
		body.HeadsUp = append(body.HeadsUp, d.String())
	}
	if f.Quiet != nil {
		body.Quiet = &quietSpec{f.Quiet.From.String(), f.Quiet.To.String()}
	}
	raw, err := json.Marshal(batchSpec{body, sensorSpecs(f.Sensors)})
	if err != nil {
		return nil, fmt.Errorf("encoding batch %s: %w", b.ID, err)
	}
	return raw, nil
}

// DecodeSpec reads back what the record holds of a batch (BatchFile.Raw). Its
// sensors are not required to be defined in it, and it warns of nothing.
func DecodeSpec(raw []byte) (BatchFile, error) {
	f, err := ParseBatch("recorded batch", raw, func(string) bool { return true })
	f.Warnings, f.never, f.pitched = nil, nil, Error{}
	return f, err
}

// numberText is the shortest decimal that reads back as x.
func numberText(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
