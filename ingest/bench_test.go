package ingest

import (
	"encoding/json"
	"testing"
)

// BenchmarkDecode is the cost of one message of two readings, against plain
// json.Unmarshal of the same payload into a struct, which checks nothing.
func BenchmarkDecode(b *testing.B) {
	payload := `{"id":"float-1","g":1.0124,"t":18.15,"ts":1772474100,"battery":3.71}`
	clocked := float()
	clocked.Time = "/ts"
	pack := `[{"bn":"urn:dev:vat-3:","bt":1772474400,"n":"gravity","u":"/","v":1.0124},{"n":"temp","u":"Cel","v":18}]`
	for _, c := range []struct {
		name    string
		sensor  Sensor
		payload string
	}{{"pointers", float(), payload}, {"device-clock", clocked, payload}, {"corrected", at20(), payload}, {"senml", senmlFloat(), pack}} {
		b.Run(c.name, func(b *testing.B) {
			m := mustCompile(b, c.sensor)
			msg := message(c.sensor.Topic, c.payload)
			b.ReportAllocs()
			for b.Loop() {
				if readings, _ := m.Decode(msg); len(readings) != 2 {
					b.Fatal(len(readings))
				}
			}
		})
	}
	b.Run("baseline-unmarshal", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var v struct{ G, T, TS float64 }
			if err := json.Unmarshal([]byte(payload), &v); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("baseline-map", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var v map[string]any
			if err := json.Unmarshal([]byte(payload), &v); err != nil {
				b.Fatal(err)
			}
		}
	})
}
