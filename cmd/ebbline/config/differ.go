package config

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/ingest"
)

// Difference is one thing that a batch's file says otherwise than what the batch is
// watched by.
type Difference struct {
	Key           string // of the batch file, such as ceiling
	Watched, File string // in words, with the unit; both empty: too long to be said
}

// String is a part of a sentence.
func (d Difference) String() string {
	if d.Watched == "" && d.File == "" {
		return d.Key + " is described otherwise in the file"
	}
	return fmt.Sprintf("%s %s is watched, the file says %s", strings.ReplaceAll(d.Key, "_", " "), d.Watched, d.File)
}

// Differ says in what a batch's file differs from what the batch is watched by. now
// are the sensors it has by now: those given on the page are no difference. Samples
// are none either: new ones are entered, and others stand in the record.
func Differ(watched, file BatchFile, now []string) (all []Difference) {
	for _, k := range differing() {
		if w, f := k.of(watched), k.of(file); w != f {
			all = append(all, Difference{k.key, w, f})
		}
	}
	if s := file.Batch.Sensors; !slices.Equal(s, watched.Batch.Sensors) && !slices.Equal(s, now) {
		all = append(all, Difference{"sensors", listed(now), listed(s)})
	}
	for _, s := range file.Sensors {
		for _, w := range watched.Sensors {
			if s.Name != w.Name {
				continue
			}
			// Both are plain values and cannot fail.
			a, _ := json.Marshal(sensorSpecs([]ingest.Sensor{w}))
			b, _ := json.Marshal(sensorSpecs([]ingest.Sensor{s}))
			if string(a) != string(b) {
				all = append(all, Difference{Key: "sensor " + s.Name})
			}
		}
	}
	return all
}

// differing are the keys by which a watch goes, gravest first, with the words of
// their values, which are equal only if the values are.
func differing() []said {
	return []said{
		{"ceiling", func(f BatchFile) string { return f.Batch.Ceiling.String() + " %" }},
		{"original_gravity", func(f BatchFile) string { return numberText(float64(f.Batch.OriginalGravity)) }},
		{"original_gravity_sd", func(f BatchFile) string { return numberText(float64(f.Batch.OriginalGravitySD)) + " points" }},
		{"pitched_at", func(f BatchFile) string { return f.Batch.PitchedAt.UTC().Format(time.RFC3339Nano) }},
		{"crash to", func(f BatchFile) string { return celsiusText(&f.Batch.Crash.To) }},
		{"crash time_constant", func(f BatchFile) string { return Span(f.Batch.Crash.TimeConstant) }},
		{"response_time", func(f BatchFile) string { return Span(f.Batch.ResponseTime) }},
		{"risk", func(f BatchFile) string { return numberText(f.Batch.Risk) }},
		{"abv_rule", func(f BatchFile) string { return string(f.Batch.Rule) }},
		{"yeast", func(f BatchFile) string { return string(f.Batch.Yeast) }},
		{"volume", func(f BatchFile) string { return numberText(float64(f.Batch.Volume)) + " L" }},
		{"temperature", func(f BatchFile) string {
			if f.Temperature == nil {
				return "none"
			}
			return celsiusText(&f.Temperature.Low) + " to " + celsiusText(&f.Temperature.High)
		}},
		{"temperature_steps", func(f BatchFile) string {
			var all []string
			for _, s := range f.Batch.Steps {
				all = append(all, celsiusText(&s.To)+" at "+s.At.UTC().Format(time.RFC3339))
			}
			return listed(all)
		}},
		{"heads_up", func(f BatchFile) string {
			var all []string
			for _, d := range f.HeadsUp {
				all = append(all, Span(d))
			}
			return listed(all)
		}},
		{"quiet", func(f BatchFile) string {
			if f.Quiet == nil {
				return "none"
			}
			return f.Quiet.From.String() + " to " + f.Quiet.To.String()
		}},
	}
}

// said is a key with its value in words.
type said struct {
	key string
	of  func(BatchFile) string
}

func listed(all []string) string {
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, ", ")
}
