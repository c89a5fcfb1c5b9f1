package ingest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection/gravity"
)

// arrived is when the messages of the tests arrive.
func arrived() time.Time { return time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC) }

// float is the sensor of most tests.
func float() Sensor {
	return Sensor{Name: "float-1", Topic: "cellar/float-1", Readings: []ReadingSpec{
		{Quantity: Gravity, Pointer: "/g", Unit: "sg"},
		{Quantity: Temperature, Pointer: "/t", Unit: "Cel"},
	}}
}

func mustCompile(t testing.TB, sensors ...Sensor) *Mapper {
	t.Helper()
	m, err := Compile(sensors)
	require.NoError(t, err)
	return m
}

func message(topic, payload string) Message {
	return Message{Topic: topic, Payload: []byte(payload), Arrived: arrived()}
}

func reasons(refusals []Refusal) []Reason {
	var all []Reason
	for _, r := range refusals {
		all = append(all, r.Reason)
	}
	return all
}

// payloadCase is a line of testdata/payloads/cases.jsonl.
type payloadCase struct {
	Name, Payload string
	Text, Clock   bool
	At            time.Time
	Readings      map[Quantity]float64
	Refused       []Reason
}

func payloadCases(t testing.TB) []payloadCase {
	t.Helper()
	f, err := os.Open("../testdata/payloads/cases.jsonl")
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	var all []payloadCase
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		var c payloadCase
		require.NoError(t, json.Unmarshal(lines.Bytes(), &c), lines.Text())
		all = append(all, c)
	}
	require.NoError(t, lines.Err())
	require.NotEmpty(t, all)
	return all
}

// Law: each bad value is refused by its name, and its neighbours are accepted.
func TestBadValuesAreRefusedByNameAndNeighboursSurvive(t *testing.T) {
	for _, c := range payloadCases(t) {
		t.Run(c.Name, func(t *testing.T) {
			s := float()
			s.Text = c.Text
			if c.Clock {
				s.Time = "/ts"
			}
			readings, refusals := mustCompile(t, s).Decode(message("cellar/float-1", c.Payload))
			got := map[Quantity]float64{}
			for _, r := range readings {
				got[r.Quantity] = r.Value
				require.Equal(t, "float-1", r.Sensor)
				require.Equal(t, arrived(), r.Arrived)
				if !c.Clock {
					require.Equal(t, arrived(), r.Time)
					require.False(t, r.DeviceTime)
					continue
				}
				require.True(t, c.At.Equal(r.Time), "%v", r.Time)
				require.Equal(t, len(c.Refused) == 0, r.DeviceTime)
			}
			require.Len(t, got, len(c.Readings))
			for q, v := range c.Readings {
				require.InDelta(t, v, got[q], 1e-12, q)
			}
			require.Equal(t, c.Refused, reasons(refusals))
			for _, r := range refusals {
				require.NotEmpty(t, r.Detail)
				require.NotContains(t, r.Detail, "\n")
				require.Equal(t, "cellar/float-1", r.Topic)
				require.Equal(t, "float-1", r.Sensor)
				require.Equal(t, c.Payload, string(r.Payload))
				require.Equal(t, r.Reason == ClockWrong || r.Reason == BadTime, r.Kept)
			}
		})
	}
}

// Sixty bad payloads, twenty of them poison in a row, between good ones of the
// same device and of a neighbour: each is refused, and every good one is read.
func TestBadPayloadsAmongGoodOnes(t *testing.T) {
	next := float()
	next.Name, next.Topic = "float-2", "cellar/float-2"
	m := mustCompile(t, float(), next)
	good := func(topic string) {
		t.Helper()
		readings, refusals := m.Decode(message(topic, `{"g":1.0124,"t":18.15}`))
		require.Empty(t, refusals)
		require.Len(t, readings, 2)
	}
	bad, poison := 0, 0
	for _, c := range payloadCases(t) {
		if len(c.Refused) == 0 || c.Text || c.Clock {
			continue
		}
		bad++
		_, refusals := m.Decode(message("cellar/float-1", c.Payload))
		require.Equal(t, c.Refused, reasons(refusals), c.Name)
		good("cellar/float-2")
		if len(c.Readings) == 0 && poison < 20 {
			poison++ // of the device itself, nothing good in between
			continue
		}
		good("cellar/float-1")
	}
	require.GreaterOrEqual(t, bad, 60)
	require.Equal(t, 20, poison)
}

func TestRefusalsHelp(t *testing.T) {
	plato := Sensor{Name: "p", Topic: "p", Readings: []ReadingSpec{{Quantity: Gravity, Unit: "plato"}}}
	kelvin := Sensor{Name: "k", Topic: "k", Readings: []ReadingSpec{{Quantity: Temperature, Unit: "K"}}}
	m := mustCompile(t, float(), plato, kelvin)
	for _, c := range []struct{ topic, payload, says string }{
		{"cellar/float-1", `{"g":1013,"t":18}`, "1013 sg: did you mean 1.013?"},
		{"cellar/float-1", `{"g":4.1,"t":18}`, "Plato"},
		{"cellar/float-1", `{"g":1.01,"t":-127}`, "wire is broken"},
		{"cellar/float-1", `{"g":"1.01","t":18}`, "text: true"},
		{"cellar/float-1", `{"g":1.01,"t":18`, "byte"},
		{"cellar/float-1", `{"g":1.01,"t":"` + strings.Repeat("x", 500) + `"}`, "xxx..."},
		{"cellar/float-1", "{\"g\":{\n\t\"v\": 1.01\n},\"t\":18}", `gravity: {  "v": 1.01 } is not a number`},
		{"cellar/float-1", `{"g":1,010,"t":18}`, "the payload is not JSON: 1,010 has a comma; write decimals with a point (byte 8)"},
		{"cellar/float-1", `{"g":1,5,"t":18}`, "1,5 has a comma; write decimals with a point"},
		{"p", `1,013`, "1,013 has a comma; write decimals with a point"},
		{"p", `"1010,3"`, `gravity: "1010,3" is not a number; write decimals with a point`},
		{"p", `"10,103 sg"`, `gravity: "10,103 sg" is not a number`},
		{"cellar/float-1", `{"g":1.01}`, `nothing stands at "/t" (temperature); the message has "g"`},
		{"p", `1.013e3`, "outside 0.98..1.2"},
		{"k", `18.5`, "-254.6 °C, outside -10..110"},
		{"cellar/float-2", `{}`, `no sensor listens to "cellar/float-2"`},
	} {
		_, refusals := m.Decode(message(c.topic, c.payload))
		require.Len(t, refusals, 1, c.payload)
		require.Contains(t, refusals[0].Detail, c.says)
		require.Less(t, len(refusals[0].Detail), 250)
	}
}

// A refusal is kept per reason and topic, so each says of every pointer that it
// found nothing, and what the message holds instead; at most eight of it.
func TestARefusalNamesAllPointersThatFoundNothing(t *testing.T) {
	m := mustCompile(t, float())
	for payload, holds := range map[string]string{
		`{"sg":1.013}`: `the message has "sg"`,
		` {"a":1,"b\u0001":{"g":1},"a":2,"c":3,"d":4,"e":5,"f":6,"i":7,"j":8,"k":9,"l":0}`: `the message has "a", "b ", "c", "d", "e", "f", "i", "j" and 2 more`,
		`{"` + strings.Repeat("ä", 50) + `":1}`:                                            `the message has "ääääääääää ..."`,
		`{}`:                                                                               "the message is empty",
		` [1, 2]`:                                                                          "the message is a list, so its pointers begin with a number, such as /0",
		` 1.013 `:                                                                          "the message is 1.013 alone, which the empty pointer takes",
	} {
		readings, refusals := m.Decode(message("cellar/float-1", payload))
		require.Empty(t, readings)
		require.Equal(t, []Reason{NoSuchValue, NoSuchValue}, reasons(refusals), "each is counted")
		for _, r := range refusals {
			require.Equal(t, `nothing stands at "/g" (gravity) nor "/t" (temperature); `+holds, r.Detail)
		}
	}
	wide := strings.Repeat("\\u0001\u2028", 40)
	_, refusals := m.Decode(message("cellar/float-1", `{"`+strings.Join([]string{"a" + wide, "b" + wide, "c" + wide, "d" + wide, "e" + wide}, `":1,"`)+`":1}`))
	require.Less(t, len(refusals[0].Detail), 400)
	require.NotContains(t, refusals[0].Detail, "\n")
}

// The range holds for what is shown and for what it is corrected to.
func TestRangeHoldsAfterTheCorrectionToo(t *testing.T) {
	_, refusals := mustCompile(t, at20()).Decode(message("cellar/float-1", `{"g":0.9801,"t":4}`))
	require.Equal(t, []Reason{OutOfRange}, reasons(refusals))
	require.Equal(t, "gravity: 0.9801 sg is 0.9784 SG once corrected for temperature, outside 0.98..1.2", refusals[0].Detail)
}

func TestUnknownTopicIsRefusedWithoutASensor(t *testing.T) {
	readings, refusals := mustCompile(t, float()).Decode(message("elsewhere", `{"g":1.01,"t":20}`))
	require.Empty(t, readings)
	require.Equal(t, []Reason{UnknownTopic}, reasons(refusals))
	require.Empty(t, refusals[0].Sensor)
}

func TestHugePayloadIsRefusedAndOnlyItsStartKept(t *testing.T) {
	huge := `{"g":1.01,"t":20,"x":"` + strings.Repeat("a", 1<<20) + `"}`
	readings, refusals := mustCompile(t, float()).Decode(message("cellar/float-1", huge))
	require.Empty(t, readings)
	require.Equal(t, []Reason{TooLarge}, reasons(refusals))
	require.Equal(t, huge[:1024], string(refusals[0].Payload))

	fits := huge[:MaxPayload-2] + `"}`
	readings, refusals = mustCompile(t, float()).Decode(message("cellar/float-1", fits))
	require.Len(t, readings, 2)
	require.Empty(t, refusals)
}

// Nesting is bounded before anything parses it: a payload of nothing but
// brackets costs no stack.
func TestDeepNestingIsBounded(t *testing.T) {
	m := mustCompile(t, float())
	for _, payload := range []string{strings.Repeat("[", MaxPayload), strings.Repeat(`{"a":`, 10000), strings.Repeat("[", MaxDepth+1) + strings.Repeat("]", MaxDepth+1)} {
		_, refusals := m.Decode(message("cellar/float-1", payload))
		require.Equal(t, []Reason{TooDeep}, reasons(refusals))
	}
	deep := strings.Repeat(`{"a":`, MaxDepth-1) + `{"g":1.01}` + strings.Repeat("}", MaxDepth-1)
	s := Sensor{Name: "d", Topic: "d", Readings: []ReadingSpec{{Quantity: Gravity, Pointer: strings.Repeat("/a", MaxDepth-1) + "/g", Unit: "sg"}}}
	readings, refusals := mustCompile(t, s).Decode(message("d", deep))
	require.Len(t, readings, 1)
	require.Empty(t, refusals)
}

func TestRetainedMessageIsNeverALiveReading(t *testing.T) {
	m := mustCompile(t, float())
	msg := message("cellar/float-1", `{"g":1.0124,"t":18.15}`)
	msg.Retained = true
	readings, refusals := m.Decode(msg)
	require.Empty(t, readings)
	require.Equal(t, []Reason{RetainedMessage}, reasons(refusals))

	readings, refusals = m.LastKnown(msg)
	require.Len(t, readings, 2)
	require.Empty(t, refusals)
}

// Law: the same message gives the same readings, so that the journal can tell
// that it has them; only the DUP flag is passed on.
func TestDuplicateAndReorderedMessagesDecodeAlike(t *testing.T) {
	s := float()
	s.Time = "/ts"
	m := mustCompile(t, s)
	early := message("cellar/float-1", `{"g":1.0124,"t":18.15,"ts":1772470000}`)
	late := message("cellar/float-1", `{"g":1.0120,"t":18.25,"ts":1772473600}`)
	first, _ := m.Decode(early)
	second, _ := m.Decode(late)
	early.Duplicate = true
	again, _ := m.Decode(early)
	require.True(t, second[0].Time.After(again[0].Time))
	for i := range again {
		require.True(t, again[i].Redelivered)
		again[i].Redelivered = false
	}
	require.Equal(t, first, again)
}

func TestOneTopicCarriesSeveralSensors(t *testing.T) {
	left := Sensor{Name: "left", Topic: "cellar/both", Readings: []ReadingSpec{{Quantity: Gravity, Pointer: "/l/g", Unit: "sg"}}}
	right := Sensor{Name: "right", Topic: "cellar/both", Readings: []ReadingSpec{{Quantity: Gravity, Pointer: "/r/g", Unit: "sg"}}}
	m := mustCompile(t, left, right)
	require.Equal(t, []string{"cellar/both"}, m.Filters())
	readings, refusals := m.Decode(message("cellar/both", `{"l":{"g":1.010},"r":{"g":null}}`))
	require.Equal(t, []Reason{NullValue}, reasons(refusals))
	require.Equal(t, "right", refusals[0].Sensor)
	require.Len(t, readings, 1)
	require.Equal(t, "left", readings[0].Sensor)
}

func TestWildcardMakesEachTopicASensor(t *testing.T) {
	bare := []ReadingSpec{{Quantity: Temperature, Unit: "Cel"}}
	m := mustCompile(t,
		Sensor{Name: "one", Topic: "cellar/+/temp/+", Readings: bare},
		Sensor{Name: "all", Topic: "attic/#", Readings: bare})
	for topic, name := range map[string]string{
		"cellar/vat 3/temp/top": "one/vat 3/top",
		"cellar//temp/":         "one//",
		"attic/a/b/c":           "all/a/b/c",
		"attic/":                "all/",
		"attic":                 "all",
	} {
		readings, refusals := m.Decode(message(topic, "18.15"))
		require.Empty(t, refusals, topic)
		require.Len(t, readings, 1)
		require.Equal(t, name, readings[0].Sensor)
	}
	_, refusals := m.Decode(message("attic/"+strings.Repeat("x", 300), "18.15"))
	require.Equal(t, []Reason{BadTopic}, reasons(refusals))
	_, refusals = m.Decode(message("attic/\x01", "18.15"))
	require.Equal(t, []Reason{BadTopic}, reasons(refusals))
}

func TestBareNumberByTheEmptyPointer(t *testing.T) {
	m := mustCompile(t, Sensor{Name: "t", Topic: "t", Readings: []ReadingSpec{{Quantity: Temperature, Unit: "Cel"}}})
	for payload, want := range map[string]Reason{
		"18.15": "", " 18.15\r\n": "", "-3": "", "null": NullValue, "NaN": NotFinite, "-inf": NotFinite, `"18.15"`: TextNumber,
		"1e999": NotFinite, "+18": NotJSON, "018": NotJSON, "18,1": NotJSON, "18.1 Cel": NotJSON, "{}": NotANumber,
	} {
		readings, refusals := m.Decode(message("t", payload))
		if want == "" {
			require.Len(t, readings, 1, payload)
			require.Empty(t, refusals)
			continue
		}
		require.Empty(t, readings, payload)
		require.Equal(t, []Reason{want}, reasons(refusals), payload)
	}
}

func TestUnitsAreConverted(t *testing.T) {
	for _, c := range []struct {
		q       Quantity
		unit    string
		payload string
		want    float64
		within  float64
	}{
		{Gravity, "sg", "1.0124", 1.0124, 0},
		{Gravity, "plato", "4", 1.0157, 1e-4}, // ASBC
		{Gravity, "brix", "4", 1.0157, 1e-4},  // NBS Circular 440
		{Temperature, "K", "293.15", 20, 1e-9},
		{Temperature, "degF", "68", 20, 1e-9},
		{Tilt, "rad", "0.7853981633974483", 45, 1e-9},
		{Tilt, "deg", "45", 45, 0},
		{PH, "pH", "4.2", 4.2, 0},
		{Battery, "%", "85", 0.85, 1e-12},
		{Battery, "/", "0.85", 0.85, 0},
		{Battery, "V", "3.7", 3.7, 0},
		{Battery, "mV", "3700", 3.7, 1e-12},
	} {
		m := mustCompile(t, Sensor{Name: "s", Topic: "s", Readings: []ReadingSpec{{Quantity: c.q, Unit: c.unit}}})
		readings, refusals := m.Decode(message("s", c.payload))
		require.Empty(t, refusals, c.unit)
		require.Len(t, readings, 1)
		require.InDelta(t, c.want, readings[0].Value, c.within, "%s %s", c.payload, c.unit)
	}
}

func TestTiltBecomesGravityByItsOwnCalibration(t *testing.T) {
	s := Sensor{Name: "s", Topic: "s", Readings: []ReadingSpec{
		{Quantity: Tilt, Pointer: "/a", Unit: "deg", Calibration: []float64{0.99, 0.0005, 0.000001}},
	}}
	m := mustCompile(t, s)
	readings, refusals := m.Decode(message("s", `{"a":40}`))
	require.Empty(t, refusals)
	require.Len(t, readings, 2)
	require.Equal(t, Tilt, readings[0].Quantity)
	require.InDelta(t, 40.0, readings[0].Value, 0)
	require.Equal(t, Gravity, readings[1].Quantity)
	require.InDelta(t, 0.99+0.02+0.0016, readings[1].Value, 1e-12)

	// The tilt of a float that lies on its side is real; its gravity is not.
	readings, refusals = m.Decode(message("s", `{"a":-90}`))
	require.Equal(t, []Reason{OutOfRange}, reasons(refusals))
	require.Len(t, readings, 1)
	require.Equal(t, Tilt, readings[0].Quantity)
}

// at20 is a float that needs correction.
func at20() Sensor {
	s := float()
	warm := gravity.Celsius(20)
	s.Readings[0].CalibratedAt = &warm
	return s
}

func TestCorrectionTakesTheTemperatureOfTheMessageElseARecentOne(t *testing.T) {
	m := mustCompile(t, at20())
	send := func(after time.Duration, payload string) Reading {
		msg := message("cellar/float-1", payload)
		msg.Arrived = arrived().Add(after)
		readings, _ := m.Decode(msg)
		require.NotEmpty(t, readings)
		require.Equal(t, Gravity, readings[0].Quantity)
		return readings[0]
	}
	none := send(0, `{"g":1.0100}`)
	require.True(t, none.Uncorrected, "no temperature was ever known")
	require.InDelta(t, 1.0100, none.Value, 0)

	cold := send(time.Minute, `{"g":1.0100,"t":4}`)
	require.False(t, cold.Uncorrected)
	require.Less(t, cold.Value, 1.0100, "cold water is denser: the float shows too much")

	remembered := send(time.Hour, `{"g":1.0100}`)
	require.False(t, remembered.Uncorrected)
	require.InDelta(t, cold.Value, remembered.Value, 0)

	broken := send(2*time.Hour, `{"g":1.0100,"t":-127}`)
	require.False(t, broken.Uncorrected, "a refused temperature is not taken, the last one is")
	require.InDelta(t, cold.Value, broken.Value, 0)

	stale := send(4*time.Hour, `{"g":1.0100}`)
	require.True(t, stale.Uncorrected, "the last temperature is over two hours old")

	m.SeedTemperature("float-1", 4, arrived().Add(4*time.Hour))
	seeded := send(5*time.Hour, `{"g":1.0100}`)
	require.InDelta(t, cold.Value, seeded.Value, 0)
}

// A float that hangs somewhere shows one number, of which the correction makes
// others: that it is shown again is kept with the reading.
func TestANumberShownAgainIsToldThroughItsCorrection(t *testing.T) {
	before, after := mustCompile(t, at20()), mustCompile(t, at20())
	send := func(m *Mapper, payload string) Reading {
		readings, _ := m.Decode(message("cellar/float-1", payload))
		require.NotEmpty(t, readings)
		require.Equal(t, Gravity, readings[0].Quantity)
		return readings[0]
	}
	first, again := send(before, `{"g":1.0100,"t":19.1}`), send(before, `{"g":1.0100,"t":19.3}`)
	require.False(t, first.Repeated)
	require.True(t, again.Repeated)
	require.NotEqual(t, first.Value, again.Value)
	require.False(t, send(before, `{"g":1.0101,"t":19.3}`).Repeated)
	after.Adopt(before)
	require.True(t, send(after, `{"g":1.0101,"t":19.4}`).Repeated, "a change of the sensors forgets nothing")
}

func TestAChangeOfSensorsKeepsWhatWasRemembered(t *testing.T) {
	before, after := mustCompile(t, at20()), mustCompile(t, at20())
	before.Decode(message("cellar/float-1", `{"g":1.0100,"t":4}`))
	after.Adopt(before)
	readings, _ := after.Decode(message("cellar/float-1", `{"g":1.0100}`))
	require.Len(t, readings, 1)
	require.False(t, readings[0].Uncorrected)
	require.Less(t, readings[0].Value, 1.0100)
}

// What is remembered is bounded although a wildcard lets anyone make sensors.
func TestRememberedTemperaturesAreBounded(t *testing.T) {
	m := mustCompile(t)
	for i := range maxRemembered + 10 {
		m.SeedTemperature(fmt.Sprint(i), 20, arrived())
	}
	require.Len(t, m.last, maxRemembered)
	m.SeedTemperature("later", 20, arrived().Add(3*time.Hour))
	require.Len(t, m.last, 1, "those too old to be used make room")
}

// Law: a number that a device writes is read as that number, wherever it stands
// and whatever stands around it.
func TestNumbersAreReadExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		key := rapid.StringN(0, 8, 40).Draw(t, "key")
		other := rapid.MapOf(rapid.StringN(0, 5, 20), rapid.Float64Range(-1e6, 1e6)).Draw(t, "other")
		want := rapid.Float64Range(-10, 110).Draw(t, "value")
		doc := map[string]any{"before": other, key: []any{nil, map[string]any{key: want}}, "zz": "]}"}
		payload, err := json.MarshalIndent(doc, " ", rapid.SampledFrom([]string{"", " ", "\t"}).Draw(t, "indent"))
		require.NoError(t, err)
		token := strings.NewReplacer("~", "~0", "/", "~1").Replace(key)
		s := Sensor{Name: "s", Topic: "s", Readings: []ReadingSpec{{Quantity: Temperature, Pointer: "/" + token + "/1/" + token, Unit: "Cel"}}}
		m, err := Compile([]Sensor{s})
		require.NoError(t, err)
		readings, refusals := m.Decode(Message{Topic: "s", Payload: payload, Arrived: arrived()})
		require.Empty(t, refusals, string(payload))
		require.Len(t, readings, 1)
		require.Equal(t, want, readings[0].Value) //nolint:testifylint // exact on purpose
	})
}

// Many goroutines may decode at once (run with -race).
func TestDecodeIsSafeForConcurrentUse(t *testing.T) {
	m := mustCompile(t, at20(), Sensor{Name: "w", Topic: "wild/#", Readings: at20().Readings})
	var group sync.WaitGroup
	for i := range 8 {
		group.Go(func() {
			for n := range 200 {
				readings, _ := m.Decode(message(fmt.Sprintf("wild/%d", i), fmt.Sprintf(`{"g":1.01,"t":%d}`, n%30)))
				assert.Len(t, readings, 2)
				m.Decode(message("cellar/float-1", `{"g":1.01,"t":4}`))
				m.Filters()
			}
		})
	}
	group.Wait()
}
