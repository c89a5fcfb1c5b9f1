package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/deploy/porttest"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
	"ebbline/projection/gravity"
)

// daemonAt starts a daemon of this process on a folder, as serve does with a
// configuration file.
func daemonAt(t *testing.T, data, more string) *daemon {
	t.Helper()
	return daemonAtBroker(t, data, more, "")
}

// daemonAtBroker is daemonAt with an external broker; "": the embedded one.
func daemonAtBroker(t *testing.T, data, more, url string) *daemon {
	t.Helper()
	text := fmt.Sprintf("data: %s\nmqtt: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\ntimezone: UTC\n%s", data, more)
	cfg, err := config.Parse("ebbline.yaml", []byte(text), func(string) (string, bool) { return "", false })
	require.NoError(t, err)
	cfg.MQTT.URL = url
	journaltest.Begin(t, data)
	d, err := startDaemon(t.Context(), cfg, wallClock{}, true, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	return d
}

// hears hands the daemon a message as its broker does.
func (d *daemon) hears(t *testing.T, topic, payload string) {
	t.Helper()
	require.NoError(t, d.stored(t.Context(), ingest.Message{Topic: topic, Payload: []byte(payload), Arrived: time.Now()}))
}

// stored hands the daemon a message and waits until it is settled.
func (d *daemon) stored(ctx context.Context, m ingest.Message) error {
	settle, err := d.take(ctx, m)
	if err != nil || settle == nil {
		return err
	}
	return settle(ctx)
}

func (d *daemon) last(t *testing.T, sensor string, q ingest.Quantity) float64 {
	t.Helper()
	r, ok, err := d.journal.LastReading(t.Context(), sensor, q)
	require.NoError(t, err)
	require.True(t, ok, "%s of %s", q, sensor)
	return r.Value
}

func (d *daemon) knows(t *testing.T, sensor string) page.KnownSensor {
	t.Helper()
	for _, k := range d.knownSensors() {
		if k.Sensor.Name == sensor {
			return k
		}
	}
	require.Fail(t, "not known", sensor)
	return page.KnownSensor{}
}

func shed(name string, r ...ingest.ReadingSpec) ingest.Sensor {
	return ingest.Sensor{Name: name, Topic: "shed/" + name, Readings: r}
}

// A sensor that was defined on the page is used from the next message on, also
// after a restart; one that the configuration defines under the same name goes
// before, and that is told.
func TestASensorOfThePageLasts(t *testing.T) {
	data := t.TempDir()
	d := daemonAt(t, data, "")
	d.hears(t, "shed/float-5", `{"g": 1.0122}`)
	topics, err := d.journal.UnassignedTopics(t.Context())
	require.NoError(t, err)
	require.Len(t, topics, 1)
	gravityAt := ingest.ReadingSpec{Quantity: ingest.Gravity, Pointer: "/g", Unit: "sg"}
	require.NoError(t, d.DefineSensor(t.Context(), shed("float-5", gravityAt)))
	d.hears(t, "shed/float-5", `{"g": 1.0121}`)
	require.InDelta(t, 1.0121, d.last(t, "float-5", ingest.Gravity), 1e-9)
	require.NoError(t, d.DefineSensor(t.Context(), shed("float-5", gravityAt)), "again changes nothing")
	other := shed("float-5", gravityAt)
	other.Topic = "attic/5"
	require.ErrorContains(t, d.DefineSensor(t.Context(), other), "listens to shed/float-5")
	require.ErrorContains(t, d.DefineSensor(t.Context(), shed("float-6")), "at least one is needed")
	require.NoError(t, d.Close())

	d = daemonAt(t, data, "sensors: [{name: float-1, topic: cellar/float-1, readings: [{quantity: gravity, pointer: /g, unit: sg}]}]")
	d.hears(t, "shed/float-5", `{"g": 1.0119}`)
	require.InDelta(t, 1.0119, d.last(t, "float-5", ingest.Gravity), 1e-9)
	require.Equal(t, page.FromPage, d.knows(t, "float-5").Source)
	require.Equal(t, page.FromConfig, d.knows(t, "float-1").Source)
	require.ErrorContains(t, d.DefineSensor(t.Context(), shed("float-1", gravityAt)), "The configuration defines a sensor of this name")
	require.NoError(t, d.Close())

	d = daemonAt(t, data, "sensors: [{name: float-5, topic: loft/5, readings: [{quantity: gravity, pointer: /g, unit: sg}]}]")
	d.hears(t, "shed/float-5", `{"g": 1.0111}`)
	require.InDelta(t, 1.0119, d.last(t, "float-5", ingest.Gravity), 1e-9, "the page's definition is not used")
	d.hears(t, "loft/5", `{"g": 1.0109}`)
	require.InDelta(t, 1.0109, d.last(t, "float-5", ingest.Gravity), 1e-9)
	var unused []string
	for _, k := range d.knownSensors() {
		unused = append(unused, k.Unused)
	}
	require.Contains(t, strings.Join(unused, ""), "The configuration defines float-5 too, and goes before")
	require.NoError(t, d.DefineSensor(t.Context(), shed("float-7", gravityAt)), "one that is not used stands in nobody's way")
}

func pairsOf(line func(float64) float64, shown ...float64) []ingest.Pair {
	var out []ingest.Pair
	for _, x := range shown {
		out = append(out, ingest.Pair{Shown: x, Known: line(x)})
	}
	return out
}

// A tilt becomes gravity by the calibration of the page, from then on and after
// a restart; it can be taken back, earlier ones are kept, and what it does not
// cover is told.
func TestACalibrationOfThePage(t *testing.T) {
	data := t.TempDir()
	d := daemonAt(t, data, "")
	require.NoError(t, d.DefineSensor(t.Context(), shed("float-8", ingest.ReadingSpec{Quantity: ingest.Tilt, Pointer: "/a", Unit: "deg"})))
	d.hears(t, "shed/float-8", `{"a": 40}`)
	_, ok, err := d.journal.LastReading(t.Context(), "float-8", ingest.Gravity)
	require.NoError(t, err)
	require.False(t, ok, "no gravity without a calibration")

	bent := func(x float64) float64 { return 0.99 + 4e-4*x + 3e-6*x*x }
	c := page.Calibration{Sensor: "float-8", Quantity: ingest.Tilt, Degree: 2, Pairs: pairsOf(bent, 25, 32, 40, 47, 55)}
	require.NoError(t, d.Calibrate(t.Context(), c))
	d.hears(t, "shed/float-8", `{"a": 44}`)
	require.InDelta(t, bent(44), d.last(t, "float-8", ingest.Gravity), 1e-9)
	require.InDelta(t, 44, d.last(t, "float-8", ingest.Tilt), 1e-9, "the tilt is kept too")
	require.Empty(t, d.calibrationHealth())

	require.ErrorContains(t, d.Calibrate(t.Context(), page.Calibration{Sensor: "float-8", Quantity: ingest.Tilt, Degree: 2, Pairs: c.Pairs[:3]}), "needs at least 4")
	require.ErrorContains(t, d.Calibrate(t.Context(), page.Calibration{Sensor: "nobody", Quantity: ingest.Tilt, Degree: 2, Pairs: c.Pairs}), "no sensor")
	require.NoError(t, d.Close())

	d = daemonAt(t, data, "")
	d.hears(t, "shed/float-8", `{"a": 30}`)
	require.InDelta(t, bent(30), d.last(t, "float-8", ingest.Gravity), 1e-9, "after a restart")
	file := fmt.Sprintf(`{batch: {name: Slate bitter 2, volume: 10 L, original_gravity: 1.012, ceiling: 0.5, pitched_at: %q, sensors: [float-8]}}`,
		time.Now().Add(-time.Hour).UTC().Format(time.RFC3339))
	_, err = d.StartBatch(t.Context(), []byte(file))
	require.NoError(t, err, "a batch file may name a sensor of the page")
	d.hears(t, "shed/float-8", `{"a": 60}`)
	require.Len(t, d.calibrationHealth(), 1)
	require.Contains(t, d.calibrationHealth()[0].Text, "float-8 gives 60.0°, outside the 25.0 to 55.0°")

	require.NoError(t, d.Calibrate(t.Context(), page.Calibration{Sensor: "float-8", Quantity: ingest.Tilt}))
	before := d.last(t, "float-8", ingest.Gravity)
	d.hears(t, "shed/float-8", `{"a": 35}`)
	require.InDelta(t, before, d.last(t, "float-8", ingest.Gravity), 0, "taken back")
	require.Len(t, d.knows(t, "float-8").Calibrations, 2, "history is kept")
}

// A configuration that brings its own calibration goes before the page's, and a
// float that gives gravity besides its tilt is not made to give two.
func TestTheConfigurationsCalibrationGoesBefore(t *testing.T) {
	d := daemonAt(t, t.TempDir(), `sensors:
  - {name: a, topic: shed/a, readings: [{quantity: tilt, pointer: /a, calibration: [1.0, 0.0001]}]}
  - {name: b, topic: shed/b, readings: [{quantity: tilt, pointer: /a}, {quantity: gravity, pointer: /g, unit: sg}]}
`)
	line := func(x float64) float64 { return 0.98 + 0.001*x }
	for _, name := range []string{"a", "b"} {
		require.NoError(t, d.Calibrate(t.Context(), page.Calibration{Sensor: name, Quantity: ingest.Tilt, Degree: 1, Pairs: pairsOf(line, 20, 30, 40)}))
		require.True(t, d.knows(t, name).Overruled)
	}
	d.hears(t, "shed/a", `{"a": 30}`)
	require.InDelta(t, 1.003, d.last(t, "a", ingest.Gravity), 1e-9)
	d.hears(t, "shed/b", `{"a": 30, "g": 1.0088}`)
	require.InDelta(t, 1.0088, d.last(t, "b", ingest.Gravity), 1e-9)
}

// running is a batch that was pitched half a day ago, with two floats defined.
func running(t *testing.T, data string) (*daemon, string, time.Time) {
	t.Helper()
	d := daemonAt(t, data, twoFloats)
	pitched := time.Now().Add(-11 * time.Hour).UTC().Truncate(time.Second)
	id, err := d.StartBatch(t.Context(), []byte(fmt.Sprintf(
		`{batch: {name: Kiln mild 4, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5, pitched_at: %q, sensors: [float-1]}}`, pitched.Format(time.RFC3339))))
	require.NoError(t, err)
	return d, id, pitched
}

const twoFloats = `sensors:
  - {name: float-1, topic: cellar/float-1, time: /ts, readings: [{quantity: gravity, pointer: /g, unit: sg}]}
  - {name: float-2, topic: cellar/float-2, time: /ts, readings: [{quantity: gravity, pointer: /g, unit: sg}]}
`

// floats publishes a falling gravity every quarter of an hour.
func (d *daemon) floats(t *testing.T, name string, from time.Time, start float64, n int) {
	t.Helper()
	for i := range n {
		at := from.Add(time.Duration(i) * 15 * time.Minute)
		d.hears(t, "cellar/"+name, fmt.Sprintf(`{"g": %.4f, "ts": %d}`, start-0.00005*float64(i), at.Unix()))
	}
}

// awaits waits until the batch's state fits.
func (d *daemon) awaits(t *testing.T, id string, fits func(alert.State) bool) alert.State {
	t.Helper()
	var st alert.State
	require.Eventually(t, func() bool {
		st, _, _ = d.keeper.stateOf(id)
		return fits(st)
	}, longEnough, 10*time.Millisecond)
	return st
}

// A float that takes another's place counts from then on, also when the daemon
// is started again from an older snapshot: what it then says is the same.
func TestASwapMidBatch(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, pitched := running(t, data)
	d.floats(t, "float-1", pitched, 1.0132, 20)
	d.awaits(t, id, func(st alert.State) bool { return st.LastReading.After(pitched.Add(4 * time.Hour)) })
	require.ErrorContains(t, d.SetSensors(t.Context(), id, page.Swap{Sensors: []string{"float-9"}}), "no sensor")
	require.ErrorContains(t, d.SetSensors(t.Context(), id, page.Swap{Sensors: []string{"float-2", "float-2"}}), "twice")
	for range 2 {
		require.NoError(t, d.SetSensors(t.Context(), id, page.Swap{Time: time.Now(), Sensors: []string{"float-2"}, Key: "k"}))
	}
	b, err := d.journal.Batch(t.Context(), id)
	require.NoError(t, err)
	require.Equal(t, []string{"float-2"}, b.Sensors)
	later := pitched.Add(5 * time.Hour)
	d.floats(t, "float-1", later, 1.005, 4) // lies on a bench by now
	d.floats(t, "float-2", later, 1.0125, 20)
	ph := 4.2 // what a person enters is looked at at once
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: time.Now(), PH: &ph}))
	read := func(st alert.State) bool { return st.PH != nil }
	g := float64(d.awaits(t, id, read).Estimate.Gravity)
	said := d.said(t, id)
	require.True(t, d.keeper.uses("float-2") && !d.keeper.uses("float-1"))
	require.InDelta(t, 1.012, g, 0.0025, "the float on the bench is not believed")
	require.NoError(t, d.Close())

	d = daemonAt(t, data, twoFloats)
	d.awaits(t, id, read)
	again := d.said(t, id)
	require.GreaterOrEqual(t, len(again), len(said))
	require.Equal(t, said, again[:len(said)])
}

// said are the estimates the watch has written down.
func (d *daemon) said(t *testing.T, id string) []string {
	t.Helper()
	events, err := d.journal.Events(t.Context(), id, []string{"estimate"}, time.Time{}, time.Now().AddDate(1, 0, 0), 1000, false)
	require.NoError(t, err)
	var out []string
	for _, e := range events {
		out = append(out, string(e.Body))
	}
	return out
}

// Inputs behind a change of sensors were asked for by the old ones: they wait.
func TestInputsAreCutAtASwap(t *testing.T) {
	reading, note := input{seq: 1, reading: &ingest.Reading{}}, input{seq: 2, entry: &journal.Entry{Kind: journal.NoteEntry}}
	swap := input{seq: 3, entry: &journal.Entry{Kind: journal.SensorChanged}}
	require.Len(t, untilSwap([]input{reading, note, swap, reading, swap}), 3)
	require.Len(t, untilSwap([]input{reading, note}), 2)
	require.Empty(t, untilSwap(nil))
}

// A sample that is struck out counts no more, once and for all; a note is struck
// out of the record without the watch being asked.
func TestStrikingOut(t *testing.T) {
	t.Parallel()
	d, id, pitched := running(t, t.TempDir())
	g, wrong := 1.0129, 1.0059
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: pitched.Add(2 * time.Hour), Gravity: &g}))
	before := d.awaits(t, id, func(st alert.State) bool { return st.LastSample.After(pitched) })
	require.NoError(t, d.AddSample(t.Context(), id, page.Sample{Time: pitched.Add(3 * time.Hour), Gravity: &wrong}))
	moved := d.awaits(t, id, func(st alert.State) bool { return st.LastSample.After(pitched.Add(150 * time.Minute)) })
	require.NotEqual(t, before.LastSample, moved.LastSample)
	require.NoError(t, d.Note(t.Context(), id, page.Note{Text: "Smells of pears."}))
	require.NoError(t, d.CrashStarted(t.Context(), id, pitched.Add(4*time.Hour), ""))
	d.awaits(t, id, func(st alert.State) bool { return st.CrashStarted != nil })
	entries, err := d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	require.Len(t, entries, 4)
	for range 2 {
		for _, e := range entries[1:] {
			require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: e.Seq, Time: time.Now()}))
		}
	}
	after := d.awaits(t, id, func(st alert.State) bool { return st.CrashStarted == nil && st.LastSample.Equal(before.LastSample) })
	require.Zero(t, after.Lost, "nothing was asked of the watch that it could not do")
	entries, err = d.journal.Entries(t.Context(), id)
	require.NoError(t, err)
	require.Len(t, entries, 7, "all is kept, and struck out once")
	require.ErrorContains(t, d.Strike(t.Context(), id, page.Strike{Seq: 999}), "no entry 999")
	require.ErrorContains(t, d.Strike(t.Context(), id, page.Strike{Seq: entries[4].Seq}), "only samples")
}

// A sample of the batch's own file is shown and struck out like any other, for the
// watch and on the page, also after a restart.
func TestStrikingOutASampleOfTheFile(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d := daemonAt(t, data, twoFloats)
	pitched := time.Now().Add(-11 * time.Hour).UTC().Truncate(time.Second)
	at := func(h int) string { return pitched.Add(time.Duration(h) * time.Hour).Format(time.RFC3339) }
	id, err := d.StartBatch(t.Context(), []byte(fmt.Sprintf(`{batch: {name: Kiln mild 4, volume: 19 L, original_gravity: 1.0132, ceiling: 0.5,
		pitched_at: %q, sensors: [float-1], samples: [{time: %q, gravity: 1.0129, ph: 4.4}, {time: %q, gravity: 1.0059}]}}`, at(0), at(2), at(3))))
	require.NoError(t, err)
	d.floats(t, "float-1", pitched, 1.0155, 20)
	third := func(st alert.State) bool { return st.LastSample.Equal(pitched.Add(3 * time.Hour)) }
	d.awaits(t, id, third)
	shows := func(d *daemon, want ...string) {
		t.Helper()
		r, err := http.Get(d.publicURL() + "/batch/" + id + "/record")
		require.NoError(t, err)
		body, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		for _, w := range want {
			require.Contains(t, string(body), w)
		}
	}
	shows(d, "Sample: 1.0129 SG, pH 4.40", "/strike?of=-1", "/sample?of=-2")
	require.ErrorContains(t, d.Strike(t.Context(), id, page.Strike{Seq: -3}), "no entry -3")
	for range 2 {
		require.NoError(t, d.Strike(t.Context(), id, page.Strike{Seq: -2, Time: time.Now()}))
	}
	left := d.awaits(t, id, func(st alert.State) bool { return st.LastSample.Equal(pitched.Add(2 * time.Hour)) })
	require.Zero(t, left.Lost)
	require.NoError(t, d.Close())
	d = daemonAt(t, data, twoFloats)
	// On a slow machine the stop may not have kept the watch, which then runs again.
	d.awaits(t, id, func(st alert.State) bool {
		return st.Estimate != nil && !st.Now.Before(left.Now) && st.LastSample.Equal(pitched.Add(2*time.Hour))
	})
	shows(d, "<s>Sample: 1.0059 SG</s> (struck out)")
}

// Quiet hours of the page hold at once and after a restart; those of the
// configuration go before.
func TestQuietHoursOfThePage(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d, id, _ := running(t, data)
	require.Equal(t, page.QuietState{}, d.quietState())
	require.ErrorContains(t, d.SetQuiet(t.Context(), &page.Quiet{From: "late", To: "06:30"}), "not a time of day")
	require.NoError(t, d.SetQuiet(t.Context(), &page.Quiet{From: "22:30", To: "06:30"}))
	want := &alert.Quiet{From: 22*60 + 30, To: 6*60 + 30}
	require.Equal(t, want, d.awaits(t, id, func(st alert.State) bool { return st.Quiet != nil }).Quiet)
	require.NoError(t, d.Close())

	d = daemonAt(t, data, twoFloats)
	require.Equal(t, want, d.awaits(t, id, func(st alert.State) bool { return st.Quiet != nil }).Quiet)
	require.NoError(t, d.SetQuiet(t.Context(), nil))
	d.awaits(t, id, func(st alert.State) bool { return st.Quiet == nil })
	require.NoError(t, d.SetQuiet(t.Context(), &page.Quiet{From: "23:00", To: "07:00"}))
	require.NoError(t, d.Close())

	d = daemonAt(t, data, twoFloats+`quiet: {from: "21:00", to: "05:00"}`)
	require.Equal(t, page.QuietState{Hours: &page.Quiet{From: "21:00", To: "05:00"}, Fixed: true}, d.quietState())
	require.ErrorContains(t, d.SetQuiet(t.Context(), nil), "configuration")
}

// A test goes out by the channel it is asked of, and what the service says of it
// comes back.
func TestATestMessage(t *testing.T) {
	phone := newSink(t)
	d := daemonAt(t, t.TempDir(), fmt.Sprintf("notify:\n  - {webhook: %q, name: pocket}\n  - {webhook: \"http://%s/\", name: lamp}\n", phone.URL, porttest.Address(t)))
	require.NoError(t, d.TryChannel(t.Context(), "pocket"))
	require.Len(t, phone.of("test"), 1)
	require.ErrorContains(t, d.TryChannel(t.Context(), "lamp"), "refused")
	require.ErrorContains(t, d.TryChannel(t.Context(), "bell"), `no channel "bell"`)
	require.Len(t, d.channelStates(), 2)
}

// What the form for a new batch says is what `ebbline plan` says.
func TestThePageSaysWhatPlanSays(t *testing.T) {
	code, out, stderr := ebbline(t, "", "plan", "--og", "1.0155", "--ceiling", "0.5", "--time-constant", "5h", "--json")
	require.Equal(t, 0, code, stderr)
	var want plan
	require.NoError(t, json.Unmarshal([]byte(out), &want))
	got, err := planFor(page.PlanRequest{
		OriginalGravity: 1.0155, Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: want.Rule, Volume: 19, Yeast: "standard", Temperature: 20, CrashTo: 2,
		TimeConstant: 5 * time.Hour, Risk: 0.05,
	})
	require.NoError(t, err)
	require.InDelta(t, want.Target["balling"], float64(got.Target), 1e-12)
	require.InDelta(t, *want.StopAt, float64(*got.StopAt), 1e-12)
	require.InDelta(t, want.CrashAt.P50, float64(*got.CrashAt), 1e-12)
	require.InDelta(t, want.Lead.P90, got.Lead[1], 1e-12)
	require.InDelta(t, want.DaysToCrash.P10, got.Days[0], 1e-12)
}

// At a broker of others a new device is heard only during a look around; it is
// then used from there, and the look around need not go on.
func TestANewDeviceAtABrokerOfOthers(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	addr := h.broker(t, "mosquitto")
	d := daemonAtBroker(t, h.data, twoFloats, h.url)
	require.Eventually(t, func() bool { return d.subscribed() }, longEnough, 20*time.Millisecond)
	require.Equal(t, page.Looking{Needed: true}, d.looking())
	unused := func() []journal.TopicSeen {
		all, err := d.journal.UnassignedTopics(t.Context())
		require.NoError(t, err)
		return all
	}
	hears := func(sensor string, g float64) func() bool {
		return func() bool {
			r, ok, err := d.journal.LastReading(t.Context(), sensor, ingest.Gravity)
			require.NoError(t, err)
			return ok && r.Value == g
		}
	}
	publish(t, addr, "attic/5", []string{`{"g":1.0121}`})
	publish(t, addr, "cellar/float-1", []string{`{"g":1.0131}`})
	require.Eventually(t, hears("float-1", 1.0131), longEnough, 20*time.Millisecond)
	require.Empty(t, unused(), "what no sensor names is not asked for")

	require.NoError(t, d.LookAround(t.Context()))
	require.Positive(t, d.looking().Left)
	require.Eventually(t, func() bool {
		publish(t, addr, "attic/5", []string{`{"g":1.0120}`})
		return len(unused()) == 1
	}, longEnough, 200*time.Millisecond)
	require.Equal(t, "attic/5", unused()[0].Topic)
	s := shed("float-5", ingest.ReadingSpec{Quantity: ingest.Gravity, Pointer: "/g", Unit: "sg"})
	s.Topic = "attic/5"
	require.NoError(t, d.DefineSensor(t.Context(), s))
	d.look.mu.Lock()
	d.look.until = time.Time{} // as if the ten minutes were over
	d.look.mu.Unlock()
	require.NoError(t, d.refilter())
	require.NotContains(t, d.filters(), everyTopic)
	require.Eventually(t, func() bool {
		publish(t, addr, "attic/5", []string{`{"g":1.0119}`})
		return hears("float-5", 1.0119)()
	}, longEnough, 200*time.Millisecond)
}
