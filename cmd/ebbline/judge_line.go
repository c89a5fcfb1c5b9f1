package main

import (
	"encoding/json"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"ebbline/ingest"
	"ebbline/projection"
)

// straightLine is the baseline to beat: a line through the last 12 hours of the
// float, its offset removed at pitch, with a fixed lead of 10 hours before it
// reaches the target. Readings are medians of an hour, so that outliers do not
// decide, and the offset is that of the first three hours.
func straightLine(b projection.Batch, readings []ingest.Reading) (alarm float64, alarmed bool) {
	const lead, span, settle = 10, 12, 3
	og := float64(b.OriginalGravity)
	target := float64(b.Rule.GravityAt(b.OriginalGravity, b.Ceiling.Limit))
	var hours, values, first, now []float64
	offset, hour := math.NaN(), 0
	for _, r := range readings {
		if r.Quantity != ingest.Gravity {
			continue
		}
		h := r.Time.Sub(b.PitchedAt).Hours()
		if h < settle {
			first = append(first, r.Value)
			continue
		}
		if math.IsNaN(offset) && len(first) > 0 {
			offset = median(first) - og
		}
		if int(h) > hour && len(now) > 0 {
			hours, values = append(hours, float64(hour)+0.5), append(values, median(now)-offset)
			now = now[:0]
			for len(hours) > span {
				hours, values = hours[1:], values[1:]
			}
			if level, slope := stat.LinearRegression(hours, values, nil, false); len(hours) == span && slope < 0 && level+slope*(h+lead) <= target {
				return h, true
			}
		}
		hour = int(h)
		now = append(now, r.Value)
	}
	return 0, false
}

// readings are those of a capture.
func (j *judged) readings() (all []ingest.Reading, err error) {
	mapper, err := ingest.Compile(j.file.Sensors)
	if err != nil {
		return nil, err
	}
	in, name, closeIn, err := openCapture(j.capture, nil)
	if err != nil {
		return nil, err
	}
	defer closeIn()
	lines := json.NewDecoder(in)
	for lines.More() {
		var l captureLine
		if err := lines.Decode(&l); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		readings, _ := mapper.Decode(l.message())
		all = append(all, readings...)
	}
	return all, nil
}
