package ingest

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// referenceJSON reads a reference document of testdata, which names its source.
func referenceJSON(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile("../testdata/reference/" + name)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(data, into))
}

// referenceCSV reads a reference table without its source line and header.
func referenceCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../testdata/reference/" + name)
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', -1
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1)
	return rows[1:]
}

// RFC 6901 §5: every example of the document.
func TestPointerFindsEveryExampleOfTheRFC(t *testing.T) {
	var ref struct {
		Doc   json.RawMessage
		Cases []struct {
			Pointer string
			Value   json.RawMessage
		}
		MustError []string `json:"must_error"`
	}
	referenceJSON(t, "rfc6901_json_pointer.json", &ref)
	require.Len(t, ref.Cases, 12)
	for _, c := range ref.Cases {
		p, err := parsePointer(c.Pointer)
		require.NoError(t, err, c.Pointer)
		got, reason := p.find(ref.Doc)
		require.Empty(t, reason, c.Pointer)
		require.JSONEq(t, string(c.Value), string(got), c.Pointer)
	}
	require.NotEmpty(t, ref.MustError)
	for _, bad := range ref.MustError {
		p, err := parsePointer(bad)
		if err != nil {
			continue
		}
		_, reason := p.find(ref.Doc)
		require.Equal(t, NoSuchValue, reason, bad)
	}
}

// RFC 6901 §3 and §4.
func TestPointerEscapes(t *testing.T) {
	doc := []byte(`{"~1": 1, "/": 2, "~": 3, "a": {"\u0067": 4}, "é": 5, "q\"": 6}`)
	for p, want := range map[string]string{"/~01": "1", "/~1": "2", "/~0": "3", "/a/g": "4", "/é": "5", `/q"`: "6"} {
		parsed, err := parsePointer(p)
		require.NoError(t, err, p)
		got, reason := parsed.find(doc)
		require.Empty(t, reason, p)
		require.Equal(t, want, string(got), p)
	}
	for _, bad := range []string{"foo", "/~", "/~2", "/a~", "#/foo", " /foo"} {
		_, err := parsePointer(bad)
		require.Error(t, err, bad)
	}
}

// RFC 8428 §5.1 examples, resolved as §4.6 asks.
func TestSenMLResolvesTheExamplesOfTheRFC(t *testing.T) {
	var ref struct {
		Cases []struct {
			Name     string
			Pack     json.RawMessage
			Resolved []struct {
				N, U string
				T    float64
				V    *float64
				VS   *string `json:"vs"`
				VB   *bool   `json:"vb"`
				VD   *string `json:"vd"`
			}
		}
	}
	referenceJSON(t, "senml_examples.json", &ref)
	require.Len(t, ref.Cases, 6)
	for _, c := range ref.Cases {
		t.Run(c.Name, func(t *testing.T) {
			got, err := resolveSenML(c.Pack)
			require.NoError(t, err)
			require.Len(t, got, len(c.Resolved))
			for i, want := range c.Resolved {
				require.Equal(t, want.N, got[i].name)
				require.Equal(t, want.U, got[i].unit)
				require.InDelta(t, want.T, got[i].time, 1e-6)
				require.Empty(t, got[i].reason)
				var value any
				require.NoError(t, json.Unmarshal(got[i].value, &value))
				switch {
				case want.V != nil:
					require.InDelta(t, *want.V, value, 0)
				case want.VS != nil:
					require.Equal(t, *want.VS, value)
				case want.VB != nil:
					require.Equal(t, *want.VB, value)
				default:
					require.Equal(t, *want.VD, value)
				}
			}
		})
	}
}

// RFC 8428 §12.1 and RFC 8798: units that we take under these names exist
// there under these names, with these scales.
func TestUnitsAreThoseOfTheSenMLRegistry(t *testing.T) {
	registry := map[string][]string{}
	for _, row := range referenceCSV(t, "senml_units.csv") {
		registry[row[0]] = row
	}
	ours := []string{"sg", "plato", "brix", "degF"} // contract §3
	for _, q := range Quantities() {
		for _, u := range Units(q) {
			if !strings.Contains(strings.Join(ours, " "), u) && u != "rad" {
				require.Contains(t, registry, u)
			}
		}
	}
	require.InDelta(t, 0.0037, convert("mV", 3.7), 1e-12, registry["mV"][4])
	require.InDelta(t, 0.85, convert("/100", 85), 1e-12, registry["/100"][4])
}

// MQTT 3.1.1 §4.7, tables checked with libmosquitto.
func TestTopicsMatchAsTheStandardSays(t *testing.T) {
	for _, row := range referenceCSV(t, "mqtt_topic_matching.csv") {
		require.Equal(t, row[2] == "true", MatchTopic(row[0], row[1]), "%s on %s", row[0], row[1])
	}
	for _, row := range referenceCSV(t, "mqtt_filter_validity.csv") {
		require.Equal(t, row[1] == "true", ValidFilter(row[0]) == nil, row[0])
	}
}
