package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/mirror/mirrortest"
)

// tank is a capture moved to the present: its batch file, and its payloads by the
// quarter of an hour until a day ago and by the minute since.
type tank struct {
	file, topic string
	before, day []string
}

// tanks are four of them; the crash of one falls due six hours before the end.
func tanks(t testing.TB) (all []tank, end time.Time) {
	at := crashOfPlain02(t).Add(6 * time.Hour)
	shift := time.Since(at).Truncate(time.Minute)
	end = at.Add(shift)
	for i, name := range []string{"plain-00", "plain-02", "plain-03", "plain-05"} { // without samples
		dir := filepath.Join(captures, name)
		v := tank{topic: fmt.Sprintf("cellar/float-%d", i+1), file: filepath.Join(t.TempDir(), "batch.yaml")}
		text, err := os.ReadFile(timedBatch(t, dir))
		require.NoError(t, err)
		pitched := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
		moved := strings.NewReplacer("float-1", fmt.Sprintf("float-%d", i+1), pitched.Format(time.RFC3339), pitched.Add(shift).Format(time.RFC3339)).Replace(string(text))
		require.NoError(t, os.WriteFile(v.file, []byte(moved), 0o600))
		var before, day []captureLine
		for _, l := range captureLines(t, dir) {
			l.Time = l.Time.Add(shift)
			if !l.Time.After(end.Add(-24 * time.Hour)) {
				before = append(before, l)
			} else if !l.Time.After(end) {
				day = append(day, l)
			}
		}
		v.before, v.day = timed(t, before), minutes(t, day[0].Time, day)
		all = append(all, v)
	}
	return all, end
}

// mirrored is a daemon with a mirror and a phone, and how it did.
type mirrored struct {
	*process
	h        *residence
	s        *mirrortest.Server
	phone    *sink
	device   mqtt.Client
	took     []time.Duration // from publish to PUBACK
	resident []float64       // MB, now and then
	refused  string          // the field that the server refuses
	skipped  string          // how many points the mirror has left out
}

func newMirrored(t *testing.T, s *mirrortest.Server, address string, all []tank) *mirrored {
	m := &mirrored{h: newResidence(t), s: s, phone: newSink(t)}
	m.h.quick = true
	m.h.extra = fmt.Sprintf("notify: [{webhook: %q}]\nmirror: {influxdb: {url: %q, org: cellar, bucket: beer}}\n", m.phone.URL+"/hook", address)
	var files []string
	for _, v := range all {
		files = append(files, v.file)
	}
	m.process = m.h.serve(t, files...)
	for _, v := range all {
		publish(t, m.mqtt, v.topic, v.before)
	}
	m.copiesAll()
	m.device = connected(t, m.mqtt)
	return m
}

// copiesAll waits until the mirror has all that is there.
func (m *mirrored) copiesAll() {
	m.t.Helper()
	last := ""
	require.Eventually(m.t, func() bool {
		before := last
		last = metric(m.process, "ebbline_mirror_points_total")
		return metric(m.process, "ebbline_mirror_up") == "1" && metric(m.process, "ebbline_mirror_behind_readings") == "0" && last == before
	}, longEnough, time.Second, "the mirror does not catch up: %s", m.get("/api/v1/health"))
}

// minute publishes the same minute of every tank.
func (m *mirrored) minute(all []tank, i int) {
	begun := time.Now()
	var tokens []mqtt.Token
	for _, v := range all {
		tokens = append(tokens, m.device.Publish(v.topic, 1, false, v.day[i]))
	}
	for v, token := range tokens {
		if wait(token) != nil { // a commit took too long
			m.publish(all[v].topic, all[v].day[i])
		}
	}
	m.took = append(m.took, time.Since(begun))
	if i%10 == 0 {
		bytes, err := strconv.ParseFloat(metric(m.process, "process_resident_memory_bytes"), 64)
		require.NoError(m.t, err)
		m.resident = append(m.resident, bytes/1e6)
	}
}

// publish gives one reading until it is acknowledged, as a float does.
func (m *mirrored) publish(topic, reading string) {
	m.t.Helper()
	for err := wait(m.device.Publish(topic, 1, false, reading)); err != nil; {
		m.t.Logf("published again: %v", err)
		m.device = connected(m.t, m.mqtt)
		err = wait(m.device.Publish(topic, 1, false, reading))
	}
}

// middle is the median of what was measured.
func middle[T float64 | time.Duration](all []T) T {
	all = slices.Sorted(slices.Values(all))
	return all[len(all)/2]
}

// TestAMirrorDeadForADay publishes a day of four batches to two daemons, reading by
// reading in turn. The server of one mirror is there; that of the other swallows
// everything for half of the day and is gone for the rest. That daemon takes
// readings as fast, rings, and holds hardly more memory. When the server is back it
// gets what both servers then hold: each point of the record, once. What is no
// number never comes so far, and a point that the server refuses is left out
// alone; both are counted.
func TestAMirrorDeadForADay(t *testing.T) {
	t.Parallel()
	all, end := tanks(t)
	influx := mirrortest.InfluxDB(t)
	between := newHole(t, strings.TrimPrefix(influx.URL(), "http://"))
	victoria := mirrortest.VictoriaMetrics(t)
	here, gone := newMirrored(t, victoria, victoria.URL(), all), newMirrored(t, influx, "http://"+between.addr, all)
	both := []*mirrored{here, gone}
	gone.refused = "crash_soon"
	refuses(t, influx, gone.refused, end)

	between.black(true)
	n, step := len(all[0].day), often(t, "EBBLINE_MIRROR_STEP", 5) // minutes
	for i := 0; i < n; i += step {
		if i/step == n/2/step {
			influx.Stop(t)
			between.black(false)
			between.cut()
		}
		if i/step == n/3/step {
			for _, m := range both {
				m.publish(all[0].topic, notANumber(end.Add(-15*time.Hour)))
			}
		}
		turn := i / step % 2
		both[turn].minute(all, i)
		both[1-turn].minute(all, i)
	}
	for _, m := range both {
		believes(m, len(all), end.Add(-16*time.Minute))
		require.Regexp(t, `ebbline_refusals_total{reason="not-finite"} [1-9]`, m.get("/metrics"), "once, or as often as it was published again")
	}
	require.Eventually(t, func() bool { return len(gone.phone.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond, "the phone must ring")
	require.Equal(t, "0", metric(gone.process, "ebbline_mirror_up"))
	require.Contains(t, gone.get("/api/v1/health"), "takes nothing")
	require.Equal(t, http.StatusOK, gone.status("/readyz"))
	t.Logf("publish to PUBACK of four messages, median: %v, with the mirror there %v", middle(gone.took), middle(here.took))
	t.Logf("resident, median and last: %.1f %.1f MB, with the mirror there %.1f %.1f MB", middle(gone.resident), gone.resident[len(gone.resident)-1], middle(here.resident), here.resident[len(here.resident)-1])
	require.Less(t, middle(gone.took), 2*middle(here.took))
	require.Less(t, middle(gone.resident)-middle(here.resident), 5.0, "MB")

	influx.Again(t)
	for _, m := range both {
		m.copiesAll()
		m.skipped = metric(m.process, "ebbline_mirror_points_skipped_total")
		m.term()
		m.holdsTheRecord(t, end)
	}
}

func notANumber(at time.Time) string {
	return fmt.Sprintf(`{"ts":%q,"g":NaN,"t":20.5}`, at.Add(30*time.Second).Format(time.RFC3339))
}

// refuses lets an InfluxDB refuse this kind of alert: it holds text under its name.
func refuses(t testing.TB, s *mirrortest.Server, kind string, end time.Time) {
	var lines bytes.Buffer
	for day := end.AddDate(0, 0, -10); day.Before(end.AddDate(0, 0, 2)); day = day.AddDate(0, 0, 1) {
		fmt.Fprintf(&lines, "alert,batch=elsewhere %s=\"text\" %d\n", kind, day.UnixMilli())
	}
	resp, err := http.Post(s.URL()+"/write?db=beer&precision=ms", "text/plain", &lines)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusNoContent, resp.StatusCode)
}

// believes waits until the belief of every batch has come to a moment.
func believes(m *mirrored, batches int, at time.Time) {
	m.t.Helper()
	require.Eventually(m.t, func() bool {
		n := 0
		for l := range strings.Lines(m.get("/metrics")) {
			if strings.HasPrefix(l, "ebbline_batch_belief_timestamp_seconds{") {
				v, err := strconv.ParseFloat(strings.TrimSpace(l[strings.LastIndex(l, " "):]), 64)
				require.NoError(m.t, err)
				if int64(v) >= at.Unix() {
					n++
				}
			}
		}
		return n == batches
	}, longEnough, 100*time.Millisecond, "the belief does not arrive at %v", at)
}

// holdsTheRecord compares, up to the end of the day, the server with the record of
// the stopped daemon; what is said later may not be copied yet.
func (m *mirrored) holdsTheRecord(t *testing.T, end time.Time) {
	t.Helper()
	j := openJournal(t, m.h.data)
	want := map[string][]mirrortest.Point{}
	readings := 0
	for i := range 4 {
		sensor := fmt.Sprintf("float-%d", i+1)
		for _, q := range []ingest.Quantity{ingest.Gravity, ingest.Temperature} {
			rows, err := j.Readings(t.Context(), sensor, q, time.Time{}, time.Time{}, 0)
			require.NoError(t, err)
			for _, r := range rows {
				key := sensor + "|" + string(q)
				want[key] = append(want[key], mirrortest.Point{Millis: r.Time.UnixMilli(), Value: r.Value})
			}
			readings += len(rows)
		}
	}
	require.Greater(t, readings, 4*2*200)
	requireSamePoints(t, "reading", want, m.s.Read(t, "reading", "value", "sensor", "quantity"), end)
	t.Logf("%d readings and %v are there, each once", readings, m.holdsWhatWasSaid(t, j, end))
}

// shownBy are the fields by which what a watch says is compared.
var shownBy = map[string]string{"estimate": "abv", "projection": "abv_if_left_p50"}

// holdsWhatWasSaid is holdsTheRecord for what the watches said, and gives how much
// of each kind there is. What the server refuses must be counted as skipped.
func (m *mirrored) holdsWhatWasSaid(t *testing.T, j *journal.Journal, end time.Time) map[string]int {
	t.Helper()
	batches, err := j.Batches(t.Context())
	require.NoError(t, err)
	type field struct{ measurement, name string }
	want, said := map[field]map[string][]mirrortest.Point{}, map[string]int{}
	for _, b := range batches {
		events, err := j.Events(t.Context(), b.ID, []string{"estimate", "projection", "alert"}, time.Time{}, time.Time{}, 0, false)
		require.NoError(t, err)
		for _, e := range events {
			var body struct {
				Kind     string
				ABV      float64
				Left     struct{ P50 float64 } `json:"abv_if_left"`
				Severity string
			}
			require.NoError(t, json.Unmarshal(e.Body, &body))
			f, v := field{e.Type, shownBy[e.Type]}, body.ABV
			switch e.Type {
			case "projection":
				v = body.Left.P50
			case "alert":
				f.name = strings.ReplaceAll(body.Kind, "-", "_")
				v = map[string]float64{"info": 1, "warning": 2, "urgent": 3}[body.Severity]
			}
			said[strings.TrimSpace(e.Type+" "+body.Kind)]++
			if want[f] == nil {
				want[f] = map[string][]mirrortest.Point{}
			}
			want[f][b.ID] = append(want[f][b.ID], mirrortest.Point{Millis: e.Time.UnixMilli(), Value: v})
		}
	}
	for f, points := range want {
		if f.name != m.refused {
			requireSamePoints(t, f.name, points, m.s.Read(t, f.measurement, f.name, "batch"), end)
		}
	}
	require.Equal(t, strconv.Itoa(said["alert "+strings.ReplaceAll(m.refused, "_", "-")]), m.skipped)
	return said
}

// requireSamePoints compares what lies before the end, to nine decimals: of more
// VictoriaMetrics does not keep all.
func requireSamePoints(t *testing.T, what string, want, got map[string][]mirrortest.Point, end time.Time) {
	t.Helper()
	until := func(all map[string][]mirrortest.Point) map[string][]mirrortest.Point {
		for key, points := range all {
			all[key] = slices.DeleteFunc(points, func(p mirrortest.Point) bool { return p.Millis > end.UnixMilli() })
			slices.SortFunc(all[key], func(a, b mirrortest.Point) int { return cmp.Compare(a.Millis, b.Millis) })
		}
		maps.DeleteFunc(all, func(_ string, points []mirrortest.Point) bool { return len(points) == 0 })
		return all
	}
	want, got = until(want), until(got)
	require.ElementsMatch(t, slices.Collect(maps.Keys(want)), slices.Collect(maps.Keys(got)), what)
	for key := range want {
		require.Len(t, got[key], len(want[key]), "%s of %s", what, key)
		for i, p := range want[key] {
			require.Equal(t, p.Millis, got[key][i].Millis, "%s of %s", what, key)
			require.InDelta(t, p.Value, got[key][i].Value, 1e-9, "%s of %s", what, key)
		}
	}
}
