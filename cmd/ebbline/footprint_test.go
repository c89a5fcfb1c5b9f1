package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// footprintBatches brew at once in BenchmarkFootprint.
const footprintBatches = 4

// BenchmarkFootprint measures the program as it is shipped (stripped): its size;
// what a day with four batches and a reading a minute of each writes to the disk
// and costs the processor, the day published as fast as each message is
// acknowledged; its memory after that and at idle; and how soon it is ready with
// a year of minute readings in its record.
//
//	go test -run xxx -bench Footprint -benchtime 1x ./cmd/ebbline
func BenchmarkFootprint(b *testing.B) {
	for b.Loop() {
		footprint(b)
	}
}

func footprint(b *testing.B) {
	// The first hours are a warm-up: the password is hashed, caches are filled.
	const warm, day = 240, 1440
	exe := filepath.Join(b.TempDir(), "ebbline")
	out, err := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", exe, ".").CombinedOutput()
	require.NoError(b, err, string(out))
	info, err := os.Stat(exe)
	require.NoError(b, err)
	b.ReportMetric(float64(info.Size())/1e6, "MB-binary")

	h := newResidence(b)
	aYearOfMinutes(b, h.data)
	batches, lines := footprintCellar(b, time.Now().UTC().Truncate(time.Minute).Add(-(warm+day)*time.Minute))
	p := h.start(b, exe, batches...)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + p.mqtt).SetClientID("floats"))
	require.NoError(b, wait(client.Connect()))
	defer client.Disconnect(100)

	send := func(from, to int) {
		for i := from; i < to; i++ {
			for f := range footprintBatches {
				require.NoError(b, wait(client.Publish(fmt.Sprintf("cellar/float-%d", f+1), 1, false, lines[f][i])))
			}
		}
	}
	send(0, warm)
	time.Sleep(2 * time.Second)
	before := p.usage()
	send(warm, warm+day)
	time.Sleep(70 * time.Second) // for unused memory to be looked for
	after := p.usage()
	b.ReportMetric(float64(after.written-before.written)/1e6, "MB-written/day")
	b.ReportMetric((after.cpu - before.cpu).Seconds(), "s-cpu/day-of-readings")
	b.ReportMetric(after.resident, "MB-resident-after")

	// At rest a reading a minute is a message every 15 s.
	begun := time.Now()
	before = p.usage()
	for i := 0; time.Since(begun) < 2*time.Minute; i++ {
		f := i % footprintBatches
		require.NoError(b, wait(client.Publish(fmt.Sprintf("cellar/float-%d", f+1), 1, false, fmt.Sprintf(`{"g":1.006,"t":19.%d}`, i%10))))
		time.Sleep(15 * time.Second)
	}
	after = p.usage()
	b.ReportMetric(100*(after.cpu-before.cpu).Seconds()/time.Since(begun).Seconds(), "%-cpu-idle")
	b.ReportMetric(after.resident, "MB-resident-idle")
	b.ReportMetric(after.files, "MB-resident-of-files") // the program's own text, shared
	b.ReportMetric(after.peak, "MB-resident-peak")
	if where := os.Getenv("EBBLINE_FOOTPRINT_KEEP"); where != "" {
		_ = os.WriteFile(where, []byte(p.get("/metrics")), 0o600)
	}
	p.kill()
	p = h.start(b, exe)
	b.ReportMetric(float64(p.readyIn.Milliseconds()), "ms-to-ready-killed")
	p.term()
	p = h.start(b, exe)
	b.ReportMetric(float64(p.readyIn.Milliseconds()), "ms-to-ready")
	p.term()
}

func wait(token mqtt.Token) error { token.Wait(); return token.Error() }

// footprintCellar gives four batch files, pitched then, and the payloads of 28
// hours of each float, a reading a minute between those of a capture.
func footprintCellar(b *testing.B, pitched time.Time) (files []string, lines [][]string) {
	for f := range footprintBatches {
		dir := filepath.Join(captures, fmt.Sprintf("plain-0%d", f))
		path := filepath.Join(b.TempDir(), "batch.yaml")
		require.NoError(b, os.WriteFile(path, fmt.Appendf(nil, footprintBatch, f+1, pitched.Format(time.RFC3339)), 0o600))
		files = append(files, path)
		lines = append(lines, minutes(b, pitched, captureLines(b, dir)[:120]))
	}
	return files, lines
}

const footprintBatch = `sensors:
  - name: float-%[1]d
    topic: cellar/float-%[1]d
    time: /ts
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
      - {quantity: temperature, pointer: /t, unit: Cel}
batch:
  name: vat %[1]d
  volume: 19 L
  original_gravity: 1.0155
  ceiling: 0.5
  pitched_at: %[2]s
  crash: {to: 2 Cel, time_constant: 6h}
  sensors: [float-%[1]d]
`

// minutes puts fourteen readings between two of a quarter of an hour.
func minutes(b testing.TB, pitched time.Time, quarters []captureLine) (out []string) {
	type reading struct{ G, T float64 }
	at := func(l captureLine) (r reading) {
		require.NoError(b, json.Unmarshal(l.Payload, &r))
		return r
	}
	for i := range len(quarters) - 1 {
		from, to := at(quarters[i]), at(quarters[i+1])
		for m := range 15 {
			part := float64(m) / 15
			out = append(out, fmt.Sprintf(`{"ts":%q,"g":%.4f,"t":%.2f}`, pitched.Add(time.Duration(15*i+m)*time.Minute).Format(time.RFC3339),
				from.G+part*(to.G-from.G), from.T+part*(to.T-from.T)))
		}
	}
	return out
}

// aYearOfMinutes fills a record with a year of a float that is long put away.
func aYearOfMinutes(b *testing.B, data string) {
	j, err := journal.Open(data, journal.Options{})
	require.NoError(b, err)
	begin := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for d := range 365 {
		var some []ingest.Reading
		for m := range 1440 {
			at := begin.AddDate(0, 0, d).Add(time.Duration(m) * time.Minute)
			some = append(some,
				ingest.Reading{Sensor: "float-9", Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: 1.005},
				ingest.Reading{Sensor: "float-9", Quantity: ingest.Temperature, Time: at, Arrived: at, DeviceTime: true, Value: 19})
		}
		require.NoError(b, j.Record(b.Context(), some, nil))
	}
	require.NoError(b, j.Close())
}

// shipped is a daemon of the program as it is shipped.
type shipped struct {
	*process
	readyIn time.Duration
}

// start runs exe as the daemon and waits until it is ready.
func (h *residence) start(b *testing.B, exe string, batches ...string) shipped {
	args := []string{"serve", "--config", h.config(b)}
	for _, f := range batches {
		args = append(args, "--batch", f)
	}
	p := &process{t: b, cmd: exec.Command(exe, args...), stderr: &lockedBuffer{}, page: "http://" + h.page, mqtt: h.mqtt}
	p.cmd.Stdout, p.cmd.Stderr = p.stderr, p.stderr
	begun := time.Now()
	require.NoError(b, p.cmd.Start())
	b.Cleanup(p.kill)
	for p.status("/readyz") != http.StatusOK {
		require.Less(b, time.Since(begun), time.Minute, "not ready:\n%s", p.stderr)
		time.Sleep(2 * time.Millisecond)
	}
	return shipped{p, time.Since(begun)}
}

// usage is what a process has used, by proc(5).
type usage struct {
	written               int64 // bytes it caused to be sent to the disk
	cpu                   time.Duration
	resident, files, peak float64 // MB
}

func (p shipped) usage() (u usage) {
	folder := fmt.Sprintf("/proc/%d/", p.cmd.Process.Pid)
	field := func(file, name string) int64 {
		raw, err := os.ReadFile(folder + file)
		require.NoError(p.t, err)
		for l := range strings.Lines(string(raw)) {
			if rest, ok := strings.CutPrefix(l, name+":"); ok {
				n, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
				require.NoError(p.t, err)
				return n
			}
		}
		p.t.Fatalf("no %s in %s", name, file)
		return 0
	}
	u.written = field("io", "write_bytes")
	megabytes := func(name string) float64 { return float64(field("status", name)) * 1024 / 1e6 }
	u.resident, u.files, u.peak = megabytes("VmRSS"), megabytes("RssFile"), megabytes("VmHWM")
	raw, err := os.ReadFile(folder + "stat")
	require.NoError(p.t, err)
	fields := strings.Fields(string(raw[strings.LastIndexByte(string(raw), ')')+2:]))
	for _, f := range fields[11:13] { // utime and stime, in hundredths of a second
		n, err := strconv.ParseInt(f, 10, 64)
		require.NoError(p.t, err)
		u.cpu += time.Duration(n) * 10 * time.Millisecond
	}
	return u
}
