package ingest

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection/gravity"
)

func TestCompileNamesEveryFaultAtOnce(t *testing.T) {
	warm, hot := gravity.Celsius(20), gravity.Celsius(90)
	for _, c := range []struct {
		name    string
		sensors []Sensor
		want    []string
	}{
		{"no name, no topic, no readings", []Sensor{{}}, []string{
			`sensor 1: name: a sensor needs a name`, `sensor 1: topic: a topic filter cannot be empty`, `sensor 1: readings: at least one`,
		}},
		{"same name twice", []Sensor{float(), float()}, []string{`sensor "float-1": name: "float-1" is already`}},
		{"names that a wildcard could make", []Sensor{
			{Name: "a", Topic: "x/+", Readings: float().Readings}, {Name: "a/b", Topic: "y", Readings: float().Readings},
		}, []string{`could become the same name`}},
		{"wildcard after the name it could make", []Sensor{
			{Name: "a/b", Topic: "y", Readings: float().Readings}, {Name: "a", Topic: "x/#", Readings: float().Readings},
		}, []string{`could become the same name`}},
		{"bad filter", []Sensor{{Name: "a", Topic: "x/#/y", Readings: float().Readings}}, []string{`# stands alone and last`}},
		{"bad filter, plus", []Sensor{{Name: "a", Topic: "x+", Readings: float().Readings}}, []string{`+ takes a whole level`}},
		{"unknown format", []Sensor{{Name: "a", Topic: "x", Format: "xml", Readings: float().Readings}}, []string{`format: "xml" is not known; "senml"`}},
		{"bad pointers", []Sensor{{Name: "a", Topic: "x", Time: "ts", Readings: []ReadingSpec{{Quantity: PH, Pointer: "/a~"}}}}, []string{
			`time: "ts": a JSON Pointer starts with /`, `reading 1: pointer: "/a~"`,
		}},
		{"unknown quantity and unit", []Sensor{{Name: "a", Topic: "x", Readings: []ReadingSpec{
			{Quantity: "density", Unit: "sg"}, {Quantity: Gravity, Unit: "Cel"}, {Quantity: Temperature},
		}}}, []string{
			`reading 1: quantity: "density" is not known; one of gravity, temperature, tilt, ph, battery`,
			`reading 2: unit: "Cel" is not a unit of gravity; one of sg, plato, brix, kg/m3`,
			`reading 3: unit: missing; temperature is given in one of Cel, K, degF`,
		}},
		{"gravity twice, once by calibration", []Sensor{{Name: "a", Topic: "x", Readings: []ReadingSpec{
			{Quantity: Gravity, Pointer: "/g", Unit: "sg"}, {Quantity: Tilt, Pointer: "/a", Calibration: []float64{1}},
		}}}, []string{`gravity is given twice`}},
		{"corrections where none belong", []Sensor{{Name: "a", Topic: "x", Readings: []ReadingSpec{
			{Quantity: Temperature, Unit: "Cel", CalibratedAt: &warm, Calibration: []float64{1}},
			{Quantity: Gravity, Unit: "sg", CalibratedAt: &hot, Expansion: 25},
			{Quantity: PH, Expansion: 1e-5},
		}}}, []string{
			`reading 1: calibration: only for tilt and gravity`, `reading 1: calibrated_at: only for gravity`,
			`reading 2: calibrated_at: 90 Cel`, `reading 2: expansion: 25`, `reading 3: expansion: only with calibrated_at`,
		}},
		{"SenML and pointers mixed", []Sensor{{Name: "a", Topic: "x", Format: SenMLFormat, Time: "/t", Readings: []ReadingSpec{
			{Quantity: Gravity, Pointer: "/g", Record: "-bad"},
		}}, {Name: "b", Topic: "x", Readings: []ReadingSpec{{Quantity: PH, Record: "r"}}}}, []string{
			`time: a SenML pack carries its own times`, `pointer: SenML values are found by record`, `record: "-bad"`,
			`sensor "b", reading 1: record: only with format: senml`,
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := Compile(c.sensors)
			require.Nil(t, m)
			var faults SpecErrors
			require.ErrorAs(t, err, &faults)
			require.Len(t, faults, len(c.want), err)
			for _, want := range c.want {
				require.ErrorContains(t, err, want)
			}
			var one *SpecError
			require.ErrorAs(t, err, &one)
		})
	}
}

func TestFiltersAreEachNamedOnce(t *testing.T) {
	other := float()
	other.Name = "float-2"
	m := mustCompile(t, float(), other, Sensor{Name: "w", Topic: "attic/#", Readings: float().Readings})
	require.Equal(t, []string{"cellar/float-1", "attic/#"}, m.Filters())
	empty := mustCompile(t)
	require.Empty(t, empty.Filters())
}

// matchByLevels is MQTT 3.1.1 §4.7 written down the slow way.
func matchByLevels(filter, topic []string) bool {
	switch {
	case len(filter) > 0 && filter[0] == "#":
		return true
	case len(filter) == 0 || len(topic) == 0:
		return len(filter) == 0 && len(topic) == 0 || len(topic) == 0 && len(filter) == 1 && filter[0] == "#"
	case filter[0] != "+" && filter[0] != topic[0]:
		return false
	}
	return matchByLevels(filter[1:], topic[1:])
}

// Law: matching is that of the standard, and what the wildcards matched tells
// the topics of one filter apart.
func TestMatchingAndNamingOfRandomTopics(t *testing.T) {
	level := rapid.SampledFrom([]string{"", "a", "b", "$c", "aa"})
	rapid.Check(t, func(t *rapid.T) {
		filter := rapid.SliceOfN(rapid.OneOf(level, rapid.Just("+")), 1, 5).Draw(t, "filter")
		if rapid.Bool().Draw(t, "rest") {
			filter = append(filter, "#")
		}
		f := strings.Join(filter, "/")
		names := map[string]string{}
		for range 8 {
			topic := rapid.SliceOfN(level, 1, 6).Draw(t, "topic")
			name := strings.Join(topic, "/")
			if f == "" || name == "" {
				continue
			}
			hidden := name[0] == '$' && (filter[0] == "+" || filter[0] == "#")
			matched, ok := matchTopic(f, name)
			require.Equal(t, !hidden && matchByLevels(filter, topic), ok, "%q on %q", f, name)
			if !ok {
				continue
			}
			before, seen := names[matched]
			require.True(t, !seen || before == name, "%q: %q and %q are both %q", f, before, name, matched)
			names[matched] = name
		}
	})
}
