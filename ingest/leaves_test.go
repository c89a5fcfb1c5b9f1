package ingest

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestLeaves(t *testing.T) {
	for name, one := range map[string]struct {
		payload, format string
		want            []Leaf
	}{
		"an object": {`{"g": 1.0121, "t":{"beer":18.4}, "id":"f1", "on":true, "x":null}`, PlainFormat, []Leaf{
			{Pointer: "/g", Text: "1.0121", Value: 1.0121}, {Pointer: "/t/beer", Text: "18.4", Value: 18.4},
		}},
		"a bare number":     {" 1.012 ", PlainFormat, []Leaf{{Pointer: "", Text: "1.012", Value: 1.012}}},
		"an array":          {`[1.01, {"a/b~c": 2}]`, PlainFormat, []Leaf{{Pointer: "/0", Text: "1.01", Value: 1.01}, {Pointer: "/1/a~1b~0c", Text: "2", Value: 2}}},
		"a number in text":  {`{"g":"1.0121"}`, PlainFormat, []Leaf{{Pointer: "/g", Text: `"1.0121"`, Value: 1.0121, InText: true}}},
		"a key twice":       {`{"g":1,"g":2,"h":3}`, PlainFormat, []Leaf{{Pointer: "/h", Text: "3", Value: 3}}},
		"a clock in text":   {`{"at":"2026-03-05T18:30:00Z"}`, PlainFormat, []Leaf{{Pointer: "/at", Text: `"2026-03-05T18:30:00Z"`, Clock: true}}},
		"a clock in number": {`{"at":1772735400000}`, PlainFormat, []Leaf{{Pointer: "/at", Text: "1772735400000", Value: 1772735400000, Clock: true}}},
		"a pack": {`[{"bn":"urn:f1/","n":"g","v":1.01},{"n":"t","u":"Cel","v":18.5}]`, SenMLFormat, []Leaf{
			{Record: "urn:f1/g", Text: "1.01", Value: 1.01}, {Record: "urn:f1/t", Unit: "Cel", Text: "18.5", Value: 18.5},
		}},
	} {
		t.Run(name, func(t *testing.T) {
			got, format, detail := Leaves([]byte(one.payload))
			require.Equal(t, one.want, got)
			require.Equal(t, one.format, format)
			require.Empty(t, detail)
		})
	}
	for payload, says := range map[string]string{
		"": "empty", "{": "not JSON", `{"a":"b"}`: "no number in it", `[]`: "no number in it", "NaN": "no number in it",
	} {
		got, _, detail := Leaves([]byte(payload))
		require.Empty(t, got, payload)
		require.Contains(t, detail, says, payload)
	}
}

// Every leaf that is offered is found again by its pointer, and read with the
// value that was shown: what a person taps is what is recorded.
func TestALeafIsWhatItsPointerFinds(t *testing.T) {
	key := rapid.StringMatching(`[a-c/~"\\ é]{0,4}`)
	var value func(depth int) *rapid.Generator[any]
	value = func(depth int) *rapid.Generator[any] {
		number := rapid.Map(rapid.Float64Range(-10, 100), func(x float64) any { return x })
		if depth == 0 {
			return number
		}
		return rapid.OneOf(number,
			rapid.Map(rapid.SliceOfN(rapid.Deferred(func() *rapid.Generator[any] { return value(depth - 1) }), 0, 3), func(l []any) any { return l }),
			rapid.Map(rapid.MapOfN(key, rapid.Deferred(func() *rapid.Generator[any] { return value(depth - 1) }), 0, 3), func(m map[string]any) any { return m }))
	}
	rapid.Check(t, func(t *rapid.T) {
		payload, err := json.Marshal(value(3).Draw(t, "payload"))
		require.NoError(t, err)
		leaves, format, _ := Leaves(payload)
		if format != PlainFormat {
			return
		}
		for _, l := range leaves {
			m, err := Compile([]Sensor{{Name: "f", Topic: "x", Readings: []ReadingSpec{{Quantity: Temperature, Pointer: l.Pointer, Unit: "Cel"}}}})
			require.NoError(t, err, "%s in %s", l.Pointer, payload)
			got, refused := m.Decode(Message{Topic: "x", Payload: payload, Arrived: time.Unix(1.8e9, 0)})
			require.Empty(t, refused, "%s in %s", l.Pointer, payload)
			require.InDelta(t, l.Value, got[0].Value, 0)
		}
	})
}

// Whatever a device sends, the list is bounded and made without a fault.
func TestLeavesOfAnything(t *testing.T) {
	part := rapid.SampledFrom([]string{"{", "}", "[", "]", ":", ",", `"g"`, `"a/~"`, "1.01", "-1e9", "null", "NaN", `"1.2"`, " ", "\x00", `{"n":"t","v":1}`, `"bn":"x"`})
	rapid.Check(t, func(t *rapid.T) {
		payload := strings.Join(rapid.SliceOfN(part, 0, 40).Draw(t, "payload"), "")
		leaves, _, detail := Leaves([]byte(payload))
		require.LessOrEqual(t, len(leaves), maxLeaves)
		require.Equal(t, len(leaves) == 0, detail != "", payload)
	})
	many := "[" + strings.Repeat("[1.01,2],", 500) + "3]"
	leaves, _, _ := Leaves([]byte(many))
	require.Len(t, leaves, maxLeaves)
}
