package config

import (
	"encoding/json"
	"fmt"

	"ebbline/ingest"
)

// EncodeSensors writes sensors for the record, in the words of a configuration
// file; ParseSensors reads them back.
func EncodeSensors(sensors []ingest.Sensor) (json.RawMessage, error) {
	raw, err := json.Marshal(map[string]any{"sensors": sensorSpecs(sensors)})
	if err != nil {
		return nil, fmt.Errorf("encoding sensors: %w", err)
	}
	return raw, nil
}

// ParseSensors reads a text that holds nothing but sensors; name stands for it in
// errors. The error is an Errors with every fault.
func ParseSensors(name string, data []byte) ([]ingest.Sensor, error) {
	r := &reader{file: name}
	top := r.root(data)
	if top == nil {
		return nil, r.errs
	}
	all := r.sensors(r.object(top, batchFileKeys().only("sensors", "sensors")).items("sensors"))
	if len(r.errs) > 0 {
		return nil, r.errs.sorted()
	}
	return all, nil
}
