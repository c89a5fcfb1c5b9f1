package ingest

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// FuzzDecode: whatever arrives, readings are plausible, refusals are named, and
// the same message gives the same answer again.
func FuzzDecode(f *testing.F) {
	for _, c := range payloadCases(f) {
		f.Add("cellar/float-1", []byte(c.Payload), c.Text)
	}
	f.Add("s", []byte(`[{"bn":"urn:dev:vat-3:","bt":1772474400,"n":"gravity","u":"/","v":1.0124},{"n":"temp","u":"Cel","v":18}]`), false)
	f.Add("wild/a/b", []byte("18.15"), true)
	f.Fuzz(func(t *testing.T, topic string, payload []byte, text bool) {
		s := float()
		s.Text, s.Time = text, "/ts"
		m := mustCompile(t, s, senmlFloat(), Sensor{Name: "w", Topic: "wild/#", Text: text, Readings: []ReadingSpec{{Quantity: Temperature, Unit: "Cel"}}})
		msg := Message{Topic: topic, Payload: payload, Arrived: arrived()}
		readings, refusals := m.Decode(msg)
		require.NotEqual(t, 0, len(readings)+len(refusals), "neither accepted nor refused")
		for _, r := range readings {
			require.True(t, inRange(r.Quantity, "V", r.Value), "%v", r)
			require.False(t, math.IsNaN(r.Value))
			require.LessOrEqual(t, r.Time.Sub(r.Arrived), maxAhead)
			require.GreaterOrEqual(t, r.Time.Year(), firstYear)
			require.True(t, strings.HasPrefix(r.Sensor, "float-1") || strings.HasPrefix(r.Sensor, "s") || strings.HasPrefix(r.Sensor, "w"))
		}
		for _, r := range refusals {
			require.NotEmpty(t, r.Reason)
			require.NotEmpty(t, r.Detail)
			require.True(t, utf8.ValidString(r.Detail), "%q", r.Detail)
			require.NotContains(t, r.Detail, "\n")
			require.Less(t, len(r.Detail), 600)
			require.LessOrEqual(t, len(r.Payload), refusedBytes)
		}
		again, refusedAgain := m.Decode(msg)
		require.Len(t, again, len(readings))
		for i := range again {
			again[i].Repeated = readings[i].Repeated // the second time all is
		}
		require.Equal(t, readings, again)
		require.Equal(t, refusals, refusedAgain)
	})
}

// FuzzPointer: our walk over the raw bytes finds what a walk over the document
// as encoding/json decodes it finds.
func FuzzPointer(f *testing.F) {
	f.Add("/a~1b/0", []byte(`{"a/b":[1,2]}`))
	f.Add("/~01", []byte(`{"~1":{}}`))
	f.Add("", []byte(`"x"`))
	f.Add("/foo/01", []byte(`{"foo":["bar","baz"]}`))
	f.Add(`/\u0067`, []byte(`{"\u0067":1}`))
	f.Fuzz(func(t *testing.T, p string, doc []byte) {
		parsed, err := parsePointer(p)
		if err != nil || !json.Valid(doc) || len(doc) > MaxPayload {
			return
		}
		got, reason := parsed.find(doc)
		var value any
		require.NoError(t, json.Unmarshal(doc, &value))
		for _, token := range parsed {
			switch v := value.(type) {
			case map[string]any:
				inner, ok := v[token]
				if !ok {
					if !strings.ContainsRune(string(doc), utf8.RuneError) && utf8.Valid(doc) {
						require.NotEmpty(t, reason)
					}
					return
				}
				value = inner
			case []any:
				i, ok := arrayIndex(token)
				if !ok || i >= len(v) {
					require.NotEmpty(t, reason)
					return
				}
				value = v[i]
			default:
				require.NotEmpty(t, reason)
				return
			}
		}
		if reason != "" { // encoding/json takes the last of two like keys
			require.True(t, reason == DuplicateKey || !utf8.Valid(doc) || strings.ContainsRune(p, utf8.RuneError), reason)
			return
		}
		want, err := json.Marshal(value)
		require.NoError(t, err)
		require.JSONEq(t, string(want), string(got))
	})
}

// FuzzSenML: a pack is resolved or refused, never half of both.
func FuzzSenML(f *testing.F) {
	f.Add([]byte(`[{"bn":"a:","bt":1e9,"bu":"Cel","bv":1,"bver":10,"n":"b","v":2,"t":-1},{"vs":"x"},{"vb":true,"u":"K"}]`))
	f.Add([]byte(`[{"n":"a","v":1,"v":2}]`))
	f.Add([]byte(`[{"x_":1}]`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		if !json.Valid(doc) || tooDeep(doc) {
			return
		}
		pack, err := resolveSenML(doc)
		if err != nil {
			require.Nil(t, pack)
			return
		}
		var items []json.RawMessage
		require.NoError(t, json.Unmarshal(doc, &items))
		require.Len(t, pack, len(items))
		for _, r := range pack {
			require.True(t, r.value == nil || json.Valid(r.value))
			require.Equal(t, r.reason == "", r.detail == "")
		}
	})
}

// FuzzTime: any JSON value becomes a time that can be written down, or a fault.
func FuzzTime(f *testing.F) {
	f.Add([]byte(`1772474100.5`), false)
	f.Add([]byte(`"2026-03-02T18:55:00+01:00"`), false)
	f.Add([]byte(`"1772474100"`), true)
	f.Fuzz(func(t *testing.T, raw []byte, text bool) {
		if !json.Valid(raw) {
			return
		}
		at, err := parseTime(json.RawMessage(strings.TrimSpace(string(raw))), text)
		if err == nil {
			require.Equal(t, at, at.UTC().Truncate(time.Microsecond))
			_ = at.Format(time.RFC3339Nano)
		}
	})
}

// FuzzLeaves: every number that is offered for a pointer is what the pointer finds.
func FuzzLeaves(f *testing.F) {
	f.Add([]byte(`{"a/b":[1,{"~":"2.5"}],"t":"2026-03-02T18:55:00Z"}`))
	f.Add([]byte(`[{"bn":"urn:dev:vat-3:","n":"g","u":"/","v":1.0124}]`))
	f.Add([]byte(`18.15`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		leaves, format, detail := Leaves(doc)
		require.LessOrEqual(t, len(leaves), maxLeaves)
		require.Equal(t, len(leaves) == 0, detail != "")
		for _, l := range leaves {
			require.False(t, math.IsNaN(l.Value) || math.IsInf(l.Value, 0))
			require.NotContains(t, l.Text, "\n")
			if format == SenMLFormat {
				continue
			}
			read, reason, _ := readJSON(doc)
			require.Empty(t, reason)
			p, err := parsePointer(l.Pointer)
			require.NoError(t, err)
			_, reason = p.find(read)
			require.Empty(t, reason, l.Pointer)
		}
	})
}
