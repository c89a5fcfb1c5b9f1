package ingest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// senmlFloat takes the unit that each record names.
func senmlFloat() Sensor {
	return Sensor{Name: "s", Topic: "s", Format: SenMLFormat, Readings: []ReadingSpec{
		{Quantity: Gravity, Record: "urn:dev:vat-3:gravity"},
		{Quantity: Temperature, Record: "urn:dev:vat-3:temp"},
		{Quantity: Battery, Record: "urn:dev:vat-3:bat"},
	}}
}

func TestSenMLPacksBecomeReadings(t *testing.T) {
	type want struct {
		q      Quantity
		v      float64
		at     time.Duration // from the arrival
		device bool
	}
	const bt = `"bt":1772474400,` // the arrival
	for _, c := range []struct {
		name, pack string
		want       []want
		refused    []Reason
	}{
		{
			"base name, one time", `[{"bn":"urn:dev:vat-3:",` + bt + `"n":"gravity","u":"/","v":1.0124},{"n":"temp","u":"Cel","v":18}]`,
			[]want{{Gravity, 1.0124, 0, true}, {Temperature, 18, 0, true}},
			nil,
		},
		{
			"relative times count from the arrival", `[{"bn":"urn:dev:vat-3:","n":"temp","u":"Cel","v":18,"t":-600},{"n":"temp","u":"Cel","v":19}]`,
			[]want{{Temperature, 18, -10 * time.Minute, false}, {Temperature, 19, 0, false}},
			nil,
		},
		{
			"offsets from a base time", `[{"bn":"urn:dev:vat-3:","bu":"Cel",` + bt + `"n":"temp","v":18,"t":-60.5},{"n":"temp","v":19,"t":-30}]`,
			[]want{{Temperature, 18, -60500 * time.Millisecond, true}, {Temperature, 19, -30 * time.Second, true}},
			nil,
		},
		{"base value is added", `[{"bn":"urn:dev:vat-3:","bv":1,"n":"gravity","u":"/","v":0.0124}]`, []want{{Gravity, 1.0124, 0, false}}, nil},
		{"base value alone", `[{"bn":"urn:dev:vat-3:","bv":18,"bu":"Cel","n":"temp"}]`, []want{{Temperature, 18, 0, false}}, nil},
		{"kelvin is told by the record", `[{"n":"urn:dev:vat-3:temp","u":"K","v":293.15}]`, []want{{Temperature, 20, 0, false}}, nil},
		{"density", `[{"n":"urn:dev:vat-3:gravity","u":"kg/m3","v":1008}]`, []want{{Gravity, 1.0098, 0, false}}, nil},
		{"% is a ratio in the registry", `[{"n":"urn:dev:vat-3:bat","u":"%","v":0.85}]`, []want{{Battery, 0.85, 0, false}}, nil},
		{"%EL is percent", `[{"n":"urn:dev:vat-3:bat","u":"%EL","v":85}]`, []want{{Battery, 0.85, 0, false}}, nil},
		{
			"others' records are left alone", `[{"n":"urn:dev:vat-4:temp","u":"Cel","v":1},{"n":"urn:dev:vat-3:temp","u":"Cel","v":18},{"n":"x","vb":true}]`,
			[]want{{Temperature, 18, 0, false}},
			nil,
		},
		{
			"wrong unit, neighbour survives", `[{"bn":"urn:dev:vat-3:","n":"temp","u":"Pa","v":18},{"n":"gravity","u":"/","v":1.01}]`,
			[]want{{Gravity, 1.01, 0, false}},
			[]Reason{WrongUnit},
		},
		{"no unit at all", `[{"n":"urn:dev:vat-3:temp","v":18}]`, nil, []Reason{WrongUnit}},
		{
			"null, text, boolean, nothing", `[{"bn":"urn:dev:vat-3:","bu":"Cel","n":"temp","v":null},{"n":"temp","vs":"18"},{"n":"temp","vb":true},{"n":"temp"}]`,
			nil,
			[]Reason{NullValue, TextNumber, NotANumber, NoSuchValue},
		},
		{
			"too large, neighbour survives", `[{"bn":"urn:dev:vat-3:","bu":"Cel","n":"temp","v":1e999},{"n":"temp","v":18}]`,
			[]want{{Temperature, 18, 0, false}},
			[]Reason{NotFinite},
		},
		{
			"a field twice, neighbour survives", `[{"bn":"urn:dev:vat-3:","bu":"Cel","n":"temp","v":1,"v":2},{"n":"temp","v":18}]`,
			[]want{{Temperature, 18, 0, false}},
			[]Reason{NoSuchValue, DuplicateKey}[1:],
		},
		{
			"name of the wrong kind, neighbour survives", `[{"n":3,"v":1},{"n":"urn:dev:vat-3:temp","u":"Cel","v":18}]`,
			[]want{{Temperature, 18, 0, false}},
			nil,
		},
		{"time of the wrong kind is said", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"t":"now"}]`, []want{{Temperature, 18, 0, false}}, []Reason{BadTime}},
		{"time beyond all calendars", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"t":1e300}]`, []want{{Temperature, 18, 0, false}}, []Reason{BadTime}},
		{"time far before all calendars", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"t":-1e300}]`, []want{{Temperature, 18, 0, false}}, []Reason{BadTime}},
		{"clock never set", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"t":946684800}]`, []want{{Temperature, 18, 0, false}}, []Reason{ClockWrong}},
		{"clock in the future", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"t":1872474400}]`, []want{{Temperature, 18, 0, false}}, []Reason{ClockWrong}},
		{"not an array", `{"n":"urn:dev:vat-3:temp","u":"Cel","v":18}`, nil, []Reason{NotSenML}},
		{"empty pack", `[]`, nil, []Reason{NotSenML}},
		{"not records", `[1,2]`, nil, []Reason{NotSenML}},
		{"base name of the wrong kind", `[{"bn":1,"n":"a","v":1}]`, nil, []Reason{NotSenML}},
		{"base time twice", `[{"bt":1,"bt":2,"n":"a","v":1}]`, nil, []Reason{NotSenML}},
		{"newer version", `[{"bver":11,"n":"a","v":1}]`, nil, []Reason{NotSenML}},
		{"a field that must be understood", `[{"n":"urn:dev:vat-3:temp","u":"Cel","v":18,"secret_":1}]`, nil, []Reason{NotSenML}},
		{"no record of this sensor", `[{"n":"urn:dev:vat-4:temp","u":"Cel","v":18}]`, nil, []Reason{NoSuchValue}},
		{"out of range", `[{"n":"urn:dev:vat-3:gravity","u":"/","v":1500}]`, nil, []Reason{OutOfRange}},
	} {
		t.Run(c.name, func(t *testing.T) {
			readings, refusals := mustCompile(t, senmlFloat()).Decode(message("s", c.pack))
			require.Equal(t, c.refused, reasons(refusals), refusals)
			require.Len(t, readings, len(c.want))
			for i, w := range c.want {
				require.Equal(t, w.q, readings[i].Quantity)
				require.InDelta(t, w.v, readings[i].Value, 1e-4)
				require.Equal(t, w.device, readings[i].DeviceTime)
				require.Equal(t, arrived().Add(w.at), readings[i].Time)
			}
		})
	}
}

func TestSenMLUnitThatTheSensorNamesMustBeTheRecords(t *testing.T) {
	s := Sensor{Name: "s", Topic: "s", Format: SenMLFormat, Readings: []ReadingSpec{
		{Quantity: Temperature, Record: "t", Unit: "Cel"}, {Quantity: Gravity, Record: "g", Unit: "sg"}, {Quantity: Battery, Record: "b", Unit: "%"},
	}}
	m := mustCompile(t, s)
	readings, refusals := m.Decode(message("s", `[{"n":"t","v":18},{"n":"g","u":"/","v":1.01},{"n":"b","u":"%","v":0.5}]`))
	require.Empty(t, refusals, "a record without unit is in the sensor's")
	require.Len(t, readings, 3)
	require.InDelta(t, 0.5, readings[2].Value, 0)
	readings, refusals = m.Decode(message("s", `[{"n":"t","u":"K","v":293.15},{"n":"g","v":1.01}]`))
	require.Equal(t, []Reason{WrongUnit}, reasons(refusals))
	require.Len(t, readings, 1)
}

// RFC 8428 §4.5.1.
func TestSenMLRecordNames(t *testing.T) {
	for _, good := range []string{"a", "2001:db8::2/temperature", "urn:dev:ow:10e2073a01080063:voltage", "A-b.c_d/e"} {
		require.NoError(t, validRecordName(good), good)
	}
	for _, bad := range []string{"", "-a", ":a", "a b", "a%", "é"} {
		require.Error(t, validRecordName(bad), bad)
	}
}
