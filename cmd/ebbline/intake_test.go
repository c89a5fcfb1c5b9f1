package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// batchText is a small batch file with sensors of its own, pitched two hours ago.
func batchText(name, sensor string, og string) string {
	return fmt.Sprintf(`sensors:
  - name: %[2]s
    topic: cellar/%[2]s
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
      - {quantity: temperature, pointer: /t, unit: Cel}
batch:
  name: %[1]s
  volume: 19 L
  original_gravity: %[3]s
  ceiling: 0.5
  pitched_at: %[4]s
  sensors: [%[2]s]
`, name, sensor, og, time.Now().Add(-2*time.Hour).UTC().Format(time.RFC3339))
}

// TestBatchFilesInTheFolder starts what is put there, shows what is wrong with
// a bad one, and refuses a second claim to a sensor; the first goes on.
func TestBatchFilesInTheFolder(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	folder := filepath.Join(h.data, "batches")
	require.NoError(t, os.MkdirAll(folder, 0o700))
	put := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600))
	}
	running := func(n string) func() bool {
		return func() bool { return metric(p, "ebbline_batches_running") == n }
	}
	put("one.yaml", batchText("low tide", "float-a", "1.0132"))
	publishUntil(t, p, "cellar/float-a", `{"g":1.0130,"t":20}`, func() bool { return running("1")() && metric(p, "ebbline_journal_readings") != "0" })

	put("typo.yaml", strings.Replace(batchText("typo", "float-b", "1.0132"), "volume", "volume_l", 1))
	put("no-gravity.yaml", strings.Replace(batchText("empty", "float-c", "x"), "  original_gravity: x\n", "", 1))
	put("stout.yaml", batchText("thousand", "float-d", "1013"))
	put("thief.yaml", batchText("high tide", "float-a", "1.0140"))
	for file, says := range map[string]string{
		"typo.yaml":       `did you mean "volume"`,
		"no-gravity.yaml": "original_gravity",
		"stout.yaml":      "1.013",
		"thief.yaml":      "float-a",
	} {
		require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), file) }, longEnough, 50*time.Millisecond)
		for _, line := range strings.Split(p.stderr.String(), "\n") {
			if strings.Contains(line, "batches/"+file) {
				require.Contains(t, strings.ReplaceAll(line, `\"`, `"`), says)
			}
		}
	}
	require.Equal(t, "1", metric(p, "ebbline_batches_running"))
	require.Equal(t, 200, p.status("/readyz"), "a bad file is no reason to be unwell")
	p.term()
	require.NotEmpty(t, storedGravities(t, openJournal(t, h.data), "float-a"))
}

// publishUntil publishes a reading again and again until something holds.
func publishUntil(t *testing.T, p *process, topic, payload string, holds func() bool) {
	t.Helper()
	require.Eventually(t, func() bool {
		publish(t, p.mqtt, topic, []string{payload})
		return holds()
	}, longEnough, 200*time.Millisecond, "metrics:\n%s", p.get("/metrics"))
}

// TestBadMessagesAreNamedAndTheirNeighboursKept sends every kind of nonsense
// between good readings.
func TestBadMessagesAreNamedAndTheirNeighboursKept(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.extra = `sensors:
  - {name: plain, topic: cellar/plain, time: /ts, readings: [{quantity: gravity, pointer: /g, unit: sg}, {quantity: temperature, pointer: /t, unit: Cel}]}
`
	p := h.serve(t)
	now := time.Now().UTC()
	good := func(i int) string {
		return fmt.Sprintf(`{"g":1.%04d,"t":20,"ts":%q}`, 100+i, now.Add(time.Duration(i-100)*time.Minute).Format(time.RFC3339))
	}
	bad := map[string]string{
		"broken JSON":      `{"g":1.01`,
		"number in string": `{"g":"1.012","t":"20"}`,
		"null":             `{"g":null,"t":null}`,
		"1e999":            `{"g":1e999,"t":1e999}`,
		"NaN":              `{"g":NaN,"t":NaN}`,
		"deep nesting":     strings.Repeat(`{"a":`, 10000) + "1" + strings.Repeat("}", 10000),
		"gravity 1500":     `{"g":1500}`,
		"temperature -127": `{"t":-127}`,
		"1970":             `{"g":1.0991,"ts":"1970-01-01T00:00:00Z"}`,
		"next year":        fmt.Sprintf(`{"g":1.0992,"ts":%q}`, now.AddDate(1, 0, 0).Format(time.RFC3339)),
		"empty":            `{}`,
	}
	i := 0
	for _, payload := range bad {
		publish(t, p.mqtt, "cellar/plain", []string{good(i), payload, good(i + 1), good(i + 1)})
		i += 2
	}
	publish(t, p.mqtt, "cellar/unheard-of", []string{`{"g":1.01}`})
	huge := filepath.Join(t.TempDir(), "huge")
	require.NoError(t, os.WriteFile(huge, []byte(`{"g":1.011,"x":"`+strings.Repeat("x", 1<<20)+`"}`), 0o600))
	host, port, err := net.SplitHostPort(p.mqtt)
	require.NoError(t, err)
	out, err := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-q", "1", "-t", "cellar/plain", "-f", huge).CombinedOutput()
	require.NoError(t, err, "%s", out)
	publish(t, p.mqtt, "cellar/plain", []string{good(i)})
	require.Eventually(t, func() bool { return strings.Contains(p.get("/metrics"), "too-large") }, longEnough, 50*time.Millisecond)
	for _, reason := range []ingest.Reason{
		ingest.NotJSON, ingest.TextNumber, ingest.NullValue, ingest.NotFinite, ingest.TooDeep, ingest.OutOfRange,
		ingest.ClockWrong, ingest.NoSuchValue, ingest.UnknownTopic, ingest.TooLarge,
	} {
		require.Contains(t, p.get("/metrics"), `ebbline_refusals_total{reason="`+string(reason)+`"}`)
	}
	p.term()
	j := openJournal(t, h.data)
	stored := map[string]int{}
	for _, r := range storedGravities(t, j, "plain") {
		stored[fmt.Sprintf("%.4f", r.Value)]++
	}
	for n := range i + 1 {
		require.Equal(t, 1, stored[fmt.Sprintf("1.%04d", 100+n)], "good reading %d of %d, sent once or twice, is there once: %v", n, i, stored)
	}
	require.Equal(t, 1, stored["1.0991"], "a clock in 1970 costs the time, not the reading")
	seen, err := j.Refusals(t.Context())
	require.NoError(t, err)
	require.NotEmpty(t, seen)
}

// TestRetainedReplaysAreNotReadings lets a broker replay a kept message at
// every new session; it is never a live reading.
func TestRetainedReplaysAreNotReadings(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t)
	m.start()
	host, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	out, err := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-r", "-q", "1", "-t", "cellar/counter", "-m", `{"g":1.0199}`).CombinedOutput()
	require.NoError(t, err, "%s", out)
	h := newResidence(t)
	h.url, h.extra = "tcp://"+m.addr, strings.Replace(countingSensor, "    time: /ts\n", "", 1)
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	publishUntil(t, &process{mqtt: m.addr, page: p.page, t: t}, "cellar/counter", `{"g":1.0101}`, func() bool { return metric(p, "ebbline_journal_readings") != "0" })
	require.Contains(t, p.get("/metrics"), `reason="retained"`)
	p.term()
	for _, r := range storedGravities(t, openJournal(t, h.data), "counter") {
		require.InDelta(t, 1.0101, r.Value, 1e-9)
	}
}
