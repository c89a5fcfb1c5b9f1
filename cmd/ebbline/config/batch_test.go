package config

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// the batch of contract §5, as it stands there.
const contractBatch = `batch:
  name: pale wheat 12
  volume: 19 L
  original_gravity: 1.0132         # hand sample at pitch, at 20 °C
  original_gravity_sd: 0.0004      # optional
  ceiling: 0.5                     # % ABV: not more than; "< 0.5" means less than
  abv_rule: balling                # optional
  risk: 0.05                       # optional
  yeast: standard                  # or maltose-negative
  pitched_at: 2026-03-02T18:00:00Z
  response_time: 30m               # how long from the notification until the crash starts
  crash:
    to: 2 Cel
    time_constant: 5h              # of the beer in its vessel; learned later
  sensors: [float-1]
  samples:
    - {time: 2026-03-04T19:00:00Z, gravity: 1.0115}              # temperature: optional
    - {time: 2026-03-05T19:00:00Z, ph: 3.8}
`

func pitched() time.Time { return time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC) }

// TestStrongWortUnderALowCeilingIsAskedAbout: a digit too few in the original
// gravity is easily typed and would be watched for nothing.
func TestStrongWortUnderALowCeilingIsAskedAbout(t *testing.T) {
	text := "batch:\n  name: low tide\n  volume: 19 L\n  original_gravity: %s\n  ceiling: 0.5\n  pitched_at: 2026-03-02T18:00:00Z\n  sensors: [a]\n"
	f, err := ParseBatch("b.yaml", []byte(strings.Replace(text, "%s", "1.132", 1)))
	require.NoError(t, err)
	require.Equal(t, []string{"b.yaml:4:21: original_gravity: 1.1320 is strong wort for a ceiling of 0.5 % ABV; was 1.0132 meant?"}, f.Warnings)
	f, err = ParseBatch("b.yaml", []byte(strings.Replace(text, "%s", "1.0132", 1)))
	require.NoError(t, err)
	require.Empty(t, f.Warnings)
}

// A sample of a file can hardly be right, or be of this beer: who checks or starts
// it is told which, and why.
func TestOddSamplesOfAFileAreAskedAbout(t *testing.T) {
	odd := func(line string) []string {
		f, err := ParseBatch("b.yaml", []byte(strings.Replace(contractBatch, "{time: 2026-03-04T19:00:00Z, gravity: 1.0115}", line, 1)))
		require.NoError(t, err)
		return f.Warnings
	}
	require.Empty(t, odd("{time: 2026-03-04T19:00:00Z, gravity: 1.0115, temperature: 2 Cel}"))
	for line, says := range map[string]string{
		"{time: 2026-03-04T19:00:00Z, gravity: 1.0250}":                      "the sample of 2026-03-04T19:00:00Z shows 1.0250, more than the original gravity 1.0132; was it misread?",
		"{time: 2026-03-04T19:00:00Z, gravity: 0.985}":                       "shows 0.9850, less than wort of 1.0132 comes to with all its extract fermented",
		"{time: 2026-03-04T19:00:00Z, gravity: 1.0115, temperature: 68 Cel}": "was read at 68 °C, at which no hydrometer is read",
		"{time: 2026-03-04T19:00:00Z, brix: 11}":                             "shows 11 °Bx, more than wort of 1.0132 has",
		"{time: 2026-03-04T19:00:00Z, brix: 0.1}":                            "shows 0.1 °Bx, less than wort of 1.0132 comes to with all its extract fermented",
		"{time: 2026-03-04T19:00:00Z, ph: 2}":                                "shows pH 2, and beer and wort lie between about 3 and 6",
	} {
		got := odd(line)
		require.Len(t, got, 1, line)
		require.Contains(t, got[0], says)
		require.Regexp(t, `^b\.yaml:\d+:\d+: `, got[0])
	}
}

func TestTheBatchOfTheContract(t *testing.T) {
	f, err := ParseBatch("batch.yaml", []byte(contractBatch))
	require.NoError(t, err)
	sg, ph := gravity.SG(1.0115), 3.8
	require.Equal(t, projection.Batch{
		ID: "pale-wheat-12-20260302", Name: "pale wheat 12", Volume: 19, OriginalGravity: 1.0132, OriginalGravitySD: 0.4,
		Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: gravity.Balling, Risk: 0.05, Yeast: projection.StandardYeast,
		PitchedAt: pitched(), ResponseTime: 30 * time.Minute,
		Crash: projection.Crash{To: 2, TimeConstant: 5 * time.Hour}, Sensors: []string{"float-1"},
	}, f.Batch)
	require.Equal(t, []projection.Sample{
		{Time: pitched().Add(49 * time.Hour), Gravity: &sg}, {Time: pitched().Add(73 * time.Hour), PH: &ph},
	}, f.Samples)
}

func TestDefaultsOfABatch(t *testing.T) {
	f, err := ParseBatch("b", []byte("batch: {name: Ä b/C, volume: 5 gal, original_gravity: 4 plato, ceiling: \"< 0.5\", pitched_at: 2026-03-02T23:30:00-02:00, sensors: []}"))
	require.NoError(t, err)
	b := f.Batch
	require.Equal(t, "b-c-630e-20260303", b.ID, "the date is that of UTC")
	require.InDelta(t, 18.927, float64(b.Volume), 1e-3)
	require.InDelta(t, 1.0157, float64(b.OriginalGravity), 1e-4)
	comma, err := ParseBatch("b", []byte(batchWith("original_gravity", "1,0132")))
	require.NoError(t, err, "a decimal comma is one")
	require.InDelta(t, 1.0132, float64(comma.Batch.OriginalGravity), 0)
	require.Equal(t, gravity.Ceiling{Limit: 0.5, Strict: true}, b.Ceiling)
	require.Equal(t, gravity.Balling, b.Rule)
	require.Equal(t, projection.StandardYeast, b.Yeast)
	require.InDelta(t, DefaultRisk, b.Risk, 0)
	require.InDelta(t, float64(DefaultGravitySD), float64(b.OriginalGravitySD), 0)
	require.Equal(t, DefaultResponse, b.ResponseTime)
	require.Equal(t, projection.Crash{To: DefaultCrashTo, TimeConstant: DefaultTimeConstant}, b.Crash)
	require.Empty(t, b.Sensors)
	require.Nil(t, f.Temperature)
	require.Nil(t, f.HeadsUp)
}

// batchWith is the contract's batch with one line replaced, or added if no line
// has that key.
func batchWith(key, value string) string {
	lines := strings.Split(strings.TrimSpace(contractBatch), "\n")
	for i, l := range lines {
		if strings.HasPrefix(strings.TrimSpace(l), key+":") {
			indent := l[:len(l)-len(strings.TrimLeft(l, " "))]
			lines[i] = indent + key + ": " + value
			if value == "-" {
				lines[i] = ""
			}
			return strings.Join(lines, "\n")
		}
	}
	return strings.Join(append(lines, "  "+key+": "+value), "\n")
}

// Law: a fault says where it stands, what is wrong and what is allowed.
func TestFaultsOfABatchFile(t *testing.T) {
	for _, c := range []struct{ name, key, value, want string }{
		{"unknown key", "cieling", "0.5", `b.yaml:19:3: batch: unknown key "cieling"; did you mean "ceiling"?`},
		{"unknown key, nothing near", "colour", "amber", `b.yaml:19:3: batch: unknown key "colour"; allowed are id, name, volume`},
		{"key twice", "id", "a\n  id: b", `b.yaml:20:3: batch: key "id" stands twice, first in line 19`},
		{"original gravity missing", "original_gravity", "-", `b.yaml:2:3: batch: original_gravity is missing; for example original_gravity: 1.0132`},
		{"original gravity null", "original_gravity", "null", `b.yaml:2:3: batch: original_gravity is missing`},
		{"original gravity times a thousand", "original_gravity", "1013.2", `b.yaml:4:21: original_gravity: 1013.2; did you mean 1.0132?`},
		{"original gravity in Plato", "original_gravity", "3.4", `write 3.4 plato`},
		{"original gravity of water", "original_gravity", "1.000", `b.yaml:4:21: original_gravity: 1 SG; allowed is 1.001 to 1.2`},
		{"original gravity impossible", "original_gravity", "1.35", `b.yaml:4:21: original_gravity: gravity "1.35" is above 1.200`},
		{"original gravity no number", "original_gravity", "high", `b.yaml:4:21: original_gravity: gravity: "high" does not start with a number; write it as 1.0155 or 4 plato`},
		{"original gravity infinite", "original_gravity", ".inf", `does not start with a number`},
		{"original gravity in strange units", "original_gravity", "4 oe", `unit "oe" is not known; none or sg, plato, brix or kg/m3`},
		{"original gravity a list", "original_gravity", "[1.01]", `b.yaml:4:21: original_gravity: a gravity such as 1.0132 or 4 plato is needed here`},
		{"spread too wide", "original_gravity_sd", "0.4", `b.yaml:5:24: original_gravity_sd: 0.4; in SG`},
		{"ceiling missing", "ceiling", "-", `b.yaml:2:3: batch: ceiling is missing`},
		{"ceiling zero", "ceiling", "0", `b.yaml:6:12: ceiling: 0 % ABV is passed with the first sugar`},
		{"ceiling negative", "ceiling", "-0.5", `is passed with the first sugar`},
		{"ceiling no number", "ceiling", "low", `b.yaml:6:12: ceiling "low" is not a number; write 0.5 for not more than 0.5 % ABV, or "< 0.5" for less than`},
		{"ceiling above what the wort can make", "ceiling", "5", `b.yaml:6:12: ceiling: 5 % ABV; this wort can make at most`},
		{"unknown rule", "abv_rule", "baling", `b.yaml:7:13: abv_rule: "baling" is not known (did you mean "balling"?); one of balling, hmrc, linear, nonlinear, cautious`},
		{"risk zero", "risk", "0", `b.yaml:8:9: risk: 0; a probability between 0 and 1`},
		{"risk one", "risk", "1", `risk: 1; a probability`},
		{"risk in percent", "risk", "5%", `b.yaml:8:9: risk: "5%" is not a number`},
		{"unknown yeast", "yeast", "lager", `b.yaml:9:10: yeast: "lager" is not known; one of standard, maltose-negative`},
		{"no zone", "pitched_at", "2026-03-02 18:00", `b.yaml:10:15: pitched_at: "2026-03-02 18:00" is not a time with date and zone`},
		{"response time without unit", "response_time", "30", `b.yaml:11:18: response_time: "30" is not a time span`},
		{"response time negative", "response_time", "-5m", `allowed is 0s to 48h`},
		{"crash without unit", "to", "2", `b.yaml:13:9: to: temperature "2" has no unit; write 2 Cel or 2 degF`},
		{"crash too warm", "to", "77 degF", `b.yaml:13:9: to: 25 Cel; allowed is -5 to 20 Cel`},
		{"time constant too short", "time_constant", "5s", `b.yaml:14:20: time_constant: 5s; allowed is 1m to 96h`},
		{"volume without unit", "volume", "19", `b.yaml:3:11: volume "19" has no unit; write 19 L or 19 gal`},
		{"volume in strange units", "volume", "2 hogsheads", `b.yaml:3:11: volume "2 hogsheads": unit "hogsheads" is not known; L, mL, hL or gal (US)`},
		{"volume nothing", "volume", "0 L", `b.yaml:3:11: volume "0 L": must be above nought`},
		{"sensors not a list", "sensors", "float-1", `b.yaml:15:12: sensors: a list is needed here`},
		{"sensor twice", "sensors", "[float-1, float-1]", `b.yaml:15:22: sensors: "float-1" is named twice`},
		{"name empty", "name", `""`, `b.yaml:2:9: name: empty; text is needed here`},
		{"id", "id", "Pale Wheat", `b.yaml:19:7: id: "Pale Wheat"; lower-case letters`},
		{"range upside down", "temperature", "{low: 25 Cel, high: 15 Cel}", `b.yaml:19:16: temperature: low is not below high`},
		{"lead too short", "heads_up", "[1m]", `b.yaml:19:14: heads_up: 1m; allowed is 10m to 168h`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseBatch("b.yaml", []byte(batchWith(c.key, c.value)))
			require.ErrorContains(t, err, c.want)
			var one *Error
			require.ErrorAs(t, err, &one)
			require.Positive(t, one.Line)
			require.Positive(t, one.Column)
		})
	}
}

func TestFaultsOfSamples(t *testing.T) {
	for sample, want := range map[string]string{
		`{gravity: 1.01}`: `time is missing`,
		`{time: 2026-03-02T17:59:59Z, gravity: 1.01}`:                `the sample is before pitched_at, 2026-03-02T18:00:00Z`,
		`{time: 2026-03-04T19:00:00Z}`:                               `nothing was measured; give gravity, brix or ph`,
		`{time: 2026-03-04T19:00:00Z, gravity: 1013}`:                `did you mean 1.013?`,
		`{time: 2026-03-04T19:00:00Z, gravity: 0.97}`:                `gravity "0.97": allowed is 0.980 to 1.200 SG`,
		`{time: 2026-03-04T19:00:00Z, ph: 15}`:                       `ph: 15; allowed is 0 to 14`,
		`{time: 2026-03-04T19:00:00Z, brix: 99}`:                     `brix: 99; allowed is 0 to 50`,
		`{time: 2026-03-04T19:00:00Z, ph: 4, temperature: 20 Cel}`:   `only together with gravity`,
		`{time: 2026-03-04T19:00:00Z, gravity: 1.01, temp: 20 Cel}`:  `did you mean "temperature"?`,
		`{time: 2026-03-04T19:00:00Z, gravity: 1.01, gravity: 1.01}`: `key "gravity" stands twice`,
		`{time: yesterday, gravity: 1.01}`:                           `"yesterday" is not a time`,
		`1.01`:                                                       `sample: keys are needed here`,
	} {
		_, err := ParseBatch("b.yaml", []byte(strings.TrimSpace(contractBatch)+"\n    - "+sample))
		require.ErrorContains(t, err, want, sample)
		require.ErrorContains(t, err, "b.yaml:19:")
	}
}

func TestAllFaultsAreToldInOnePassInTheOrderOfTheFile(t *testing.T) {
	_, err := ParseBatch("b.yaml", []byte("sensors:\n  - {name: a, topic: x+, readings: []}\nbatch:\n  nam: x\n  risk: 2\n  sensors: [b]\n"))
	var all Errors
	require.ErrorAs(t, err, &all)
	require.Len(t, all, 10, err)
	for i := 1; i < len(all); i++ {
		require.LessOrEqual(t, all[i-1].Line, all[i].Line)
	}
	require.Len(t, strings.Split(err.Error(), "\n"), 10, "one line each")
	require.ErrorContains(t, err, `b.yaml:2:22: sensor a: topic: "x+": + takes a whole level`)
	require.ErrorContains(t, err, `b.yaml:4:3: batch: unknown key "nam"; did you mean "name"?`)
	require.ErrorContains(t, err, `b.yaml:6:13: sensors: "b" is not defined; this file defines a`)
}

func TestSensorsMustBeDefinedSomewhere(t *testing.T) {
	own := "sensors:\n  - {name: vat, topic: cellar/+, readings: [{quantity: temperature, pointer: \"\", unit: Cel}]}\n"
	named := func(name string) []byte { return []byte(own + batchWith("sensors", "["+name+"]")) }
	_, err := ParseBatch("b.yaml", named("vat/3"))
	require.NoError(t, err, "a wildcard defines every name below its own")
	_, err = ParseBatch("b.yaml", named("vat"))
	require.ErrorContains(t, err, "its topic has a wildcard")
	_, err = ParseBatch("b.yaml", named("float-9"))
	require.ErrorContains(t, err, `"float-9" is not defined; this file defines vat/…`)
	_, err = ParseBatch("b.yaml", named("float-9"), Names([]ingest.Sensor{{Name: "float-9", Topic: "x"}}))
	require.NoError(t, err, "the configuration defines it")
	_, err = ParseBatch("b.yaml", []byte(contractBatch), Names(nil))
	require.ErrorContains(t, err, `"float-1" is not defined; define it under sensors:`)
}

func TestWhatIsNotAYAMLFileSaysWhere(t *testing.T) {
	for text, want := range map[string]string{
		"":                                  "b.yaml:1:1: the file is empty",
		"# nothing\n":                       "b.yaml:1:1:",
		"batch: {name: x":                   "b.yaml:2:1: not YAML: the keys in { } are not closed; put commas between them",
		"batch:\n\tname: x":                 "b.yaml:2:",
		"- batch":                           "b.yaml:1:1: a mapping of keys is needed here",
		"batch: &a {name: x}\nsensors: *a":  "anchors and aliases",
		"batch: {name: x}\n---\nbatch: {}":  "b.yaml:",
		"batch: [1]":                        "b.yaml:1:8: batch: keys are needed here",
		"{? [a] : b}":                       "a key is a word",
		strings.Repeat("[", 20000):          "b.yaml:1:",
		"x: " + strings.Repeat("a", 2<<20):  "at most 1048576 are read",
		"mqtt: {url: tcp://x}\nbatch: null": `unknown key "mqtt"`,
	} {
		_, err := ParseBatch("b.yaml", []byte(text))
		require.ErrorContains(t, err, want, "%.40s", text)
		require.Less(t, len(err.Error()), 1000)
	}
	_, err := LoadBatch(filepath.Join(t.TempDir(), "absent.yaml"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Law: a hostile file costs little and is answered in a few lines.
func TestHostileFilesAreBounded(t *testing.T) {
	for name, text := range map[string]string{
		"many bad items": "sensors: [" + strings.Repeat("x,", 9000) + "]",
		"too many items": "sensors: [" + strings.Repeat("x,", 200000) + "]",
		"many unknown keys": func() string {
			var b strings.Builder
			for i := range 50000 {
				fmt.Fprintf(&b, "k%d: 1\n", i)
			}
			return b.String()
		}(),
		"many of one key":  strings.Repeat("batch: 1\n", 50000),
		"deep":             strings.Repeat("{a: ", 100000),
		"many samples":     contractBatch + strings.Repeat("    - {}\n", 9000),
		"one endless word": "batch: {name: " + strings.Repeat("x", 900000) + "}",
		"binary":           "\x00\x01\xff\xfe",
	} {
		_, err := ParseBatch("b", []byte(text))
		var all Errors
		require.ErrorAs(t, err, &all, name)
		require.LessOrEqual(t, len(all), maxFaults, name)
		require.Less(t, len(err.Error()), 100000, name)
	}
}

func TestBatchInJSON(t *testing.T) {
	asJSON := `{"batch":{"name":"pale wheat 12","volume":"19 L","original_gravity":1.0132,"ceiling":"< 0.5",
	"pitched_at":"2026-03-02T18:00:00Z","sensors":["float-1"],"samples":[{"time":"2026-03-04T19:00:00Z","gravity":1.0115}]}}`
	f, err := ParseBatch("body", []byte(asJSON))
	require.NoError(t, err)
	require.Equal(t, "pale-wheat-12-20260302", f.Batch.ID)
	require.True(t, f.Batch.Ceiling.Strict)
	require.Len(t, f.Samples, 1)
	f, err = ParseBatch("body", []byte(strings.Replace(asJSON, "pale wheat 12", `\ud83c\udf7a \/ \u00e4`, 1)))
	require.NoError(t, err)
	require.Equal(t, "🍺 / ä", f.Batch.Name)
	_, err = ParseBatch("body", []byte(strings.Replace(asJSON, "1.0132", "13.2", 1)))
	require.ErrorContains(t, err, "body:1:69: original_gravity: gravity \"13.2\" is above 1.200")
}

// Law: the id of a batch is lasting, fits everywhere, and tells names apart
// although they are written in another script or very long.
func TestIDsAreLastingAndApart(t *testing.T) {
	require.Equal(t, "pale-wheat-12", slug("Pale  Wheat #12!"))
	require.Equal(t, "batch", slug("..."))
	seen := map[string]string{}
	for _, name := range []string{"темное", "светлое", "Öl 3", "Ol 3", "Äl 3", strings.Repeat("x", 99), strings.Repeat("x", 98), "小麦", "大麦"} {
		id := slug(name)
		require.Regexp(t, `^[a-z0-9][a-z0-9-]*$`, id)
		require.Equal(t, id, slug(name))
		require.Empty(t, seen[id], "%s and %s", seen[id], name)
		seen[id] = name
	}
}

// Law: what the record keeps of a batch reads back as the same batch, whatever
// the brewer wrote.
func TestABatchComesBackFromTheRecordUnchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(low, high float64, name string) string {
			return fmt.Sprintf("%.*f", rapid.IntRange(0, 6).Draw(t, name+" digits"), rapid.Float64Range(low, high).Draw(t, name))
		}
		name, err := json.Marshal(rapid.StringMatching(`[a-zA-Z0-9äß 🍺"\\'#:{}\[\]-]{1,30}x`).Draw(t, "name"))
		if err != nil {
			t.Fatal(err)
		}
		text := fmt.Sprintf(`
sensors:
  - name: f
    topic: c/f
    time: /ts
    text: %v
    readings:
      - {quantity: gravity, pointer: /g~1x, unit: plato, calibrated_at: %s degF, expansion: 25e-6}
      - {quantity: tilt, pointer: "/a b"}
  - {name: s, topic: c/+, format: senml, readings: [{quantity: ph, record: "urn:x:ph"}]}
batch:
  name: %s
  volume: %s gal
  original_gravity: %s
  original_gravity_sd: 0.00%d
  ceiling: "%s 0.%d"
  abv_rule: %s
  risk: 0.%d1
  yeast: %s
  pitched_at: 2026-03-02T18:00:00+0%d:00
  response_time: %dm
  crash: {to: %s degF, time_constant: %dm}
  sensors: [f, s/1]
  temperature: {low: %s Cel, high: 30 Cel}
  temperature_steps:
    - {at: 2026-03-05T18:00:00Z, to: 12 Cel}
    - {at: 2026-03-04T18:00:00Z, to: 60 degF}
  heads_up: [3h, 12h]
  samples:
    - {time: 2026-03-05T19:00:00Z, gravity: %s, temperature: %s Cel, brix: 3.%d}
    - {time: 2026-03-06T19:00:00.25Z, ph: %s}
`, rapid.Bool().Draw(t, "text"), number(35, 100, "cal"), name, number(1, 99, "volume"), number(1.011, 1.1, "og"),
			rapid.IntRange(1, 9).Draw(t, "sd"), rapid.SampledFrom([]string{"", "<"}).Draw(t, "strict"), rapid.IntRange(1, 9).Draw(t, "ceiling"),
			rapid.SampledFrom([]string{"balling", "hmrc", "linear", "nonlinear", "cautious"}).Draw(t, "rule"), rapid.IntRange(0, 9).Draw(t, "risk"),
			rapid.SampledFrom([]string{"standard", "maltose-negative"}).Draw(t, "yeast"), rapid.IntRange(0, 9).Draw(t, "zone"),
			rapid.IntRange(0, 600).Draw(t, "response"), number(25, 60, "to"), rapid.IntRange(1, 5000).Draw(t, "tau"), number(0, 20, "low"),
			number(0.98, 1.1, "g"), number(0, 30, "t"), rapid.IntRange(0, 9).Draw(t, "brix"), number(3, 6, "ph"))
		f, err := ParseBatch("b", []byte(text))
		if err != nil && strings.Contains(err.Error(), "original_gravity: 1 SG") { // no digits drawn
			return
		}
		require.NoError(t, err, text)
		spec, err := f.Spec()
		require.NoError(t, err)
		back, err := DecodeSpec(spec)
		require.NoError(t, err, string(spec))
		f.Warnings, f.never = nil, nil
		f.pitched = Error{}
		require.Equal(t, f, back)
	})
}
