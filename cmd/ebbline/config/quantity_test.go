package config

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

func node(text string) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Value: text, Line: 1, Column: 1}
}

// Contract §3, and the definitions of the units: 0 °C = 273.15 K = 32 °F; the US
// liquid gallon is 231 cubic inches (NIST Handbook 44, appendix C).
func TestQuantitiesWithUnits(t *testing.T) {
	for text, want := range map[string]float64{"2 Cel": 2, "36 degF": 20.0 / 9, "275.15 K": 2, "2Cel": 2, "-1.5e0 Cel": -1.5} {
		r := &reader{}
		require.InDelta(t, want, float64(r.celsius(node(text), Key{Name: "to", Low: -10, High: 30})), 1e-9, text)
		require.Empty(t, r.errs, text)
	}
	for text, want := range map[string]float64{"19 L": 19, "19l": 19, "5 gal": 5 * 231 * 0.0254 * 0.0254 * 0.0254 * 1000, "1.2 hL": 120, "500 mL": 0.5} {
		r := &reader{}
		require.InDelta(t, want, float64(r.litres(node(text), batchKeys().key("volume"))), 1e-9, text)
		require.Empty(t, r.errs, text)
	}
	for text, want := range map[string]float64{"1.0132": 1.0132, "1.0132 sg": 1.0132, "3.4 plato": 1.0133, "3.4 brix": 1.0133} {
		r := &reader{}
		require.InDelta(t, want, float64(r.gravity(node(text), Key{Name: "og", Low: 1, High: 1.2})), 1e-4, text)
		require.Empty(t, r.errs, text)
	}
	for text, want := range map[string]time.Duration{"5h": 5 * time.Hour, "30m": 30 * time.Minute, "3h4m0s": 184 * time.Minute, "1.5 h": 90 * time.Minute} {
		r := &reader{}
		require.Equal(t, want, r.duration(node(text), Key{Name: "d", High: 10 * hour}), text)
		require.Empty(t, r.errs, text)
	}
}

func TestQuantitiesThatCannotBeMeant(t *testing.T) {
	for text, want := range map[string]string{
		"2": `to: temperature "2" has no unit; write 2 Cel or 2 degF`, "2 R": `unit "R" is not known; Cel, degF or K`, "Cel": "does not start with a number",
		"31 Cel": "allowed is -10 to 30 Cel", "NaN Cel": "does not start with a number", "1e999 Cel": "does not start with a number", "0x10 Cel": "",
	} {
		r := &reader{}
		r.celsius(node(text), Key{Name: "to", Low: -10, High: 30})
		require.Len(t, r.errs, 1, text)
		require.ErrorContains(t, r.errs, want)
	}
	r := &reader{}
	r.duration(node("soon"), Key{Name: "d", High: hour})
	r.when(node("1970-01-01T00:00:00Z"), "pitched_at")
	r.number(node("1_000"), "risk")
	r.number(node("0x1p3"), "risk")
	require.Len(t, r.errs, 4)
}

func TestSpansAreWrittenShort(t *testing.T) {
	for d, want := range map[time.Duration]string{72 * time.Hour: "72h", 90 * time.Minute: "1h30m", 5 * time.Second: "5s", 10 * time.Second: "10s", 70 * time.Second: "1m10s", 500 * time.Hour: "500h", 0: "0s", 10 * time.Minute: "10m", time.Hour + time.Second: "1h0m1s"} {
		require.Equal(t, want, Span(d))
	}
}

func TestBatchFilesAreToldByTheirKeys(t *testing.T) {
	for text, want := range map[string]bool{
		"batch: {}": true, "sensors: []\nbatch: {}": true, "sensors: []": false, "batch: {}\nmqtt: {}": false,
		"": false, "[": false, `{"batch": {}}`: true,
	} {
		require.Equal(t, want, IsBatch([]byte(text)), text)
	}
}
