package mirror_test

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
	"ebbline/ingest/mirror"
	"ebbline/ingest/mirror/mirrortest"
)

var pitch = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// names that a topic filter with + may make.
var sensors = []string{"float-1", "cellar/tank 7, left", `süß=ß\`, "loft/\t\"x\""}

// asTag is what becomes of them: nothing but what no server can write.
var asTag = map[string]string{`süß=ß\`: "süß=ß_", "loft/\t\"x\"": "loft/_\"x\""}

func record(t *testing.T, j *journal.Journal, from, to int) {
	t.Helper()
	var all []ingest.Reading
	for i := from; i < to; i++ {
		at := pitch.Add(time.Duration(i) * 15 * time.Minute)
		for _, s := range sensors {
			all = append(all,
				ingest.Reading{Sensor: s, Quantity: ingest.Gravity, Time: at, Arrived: at, DeviceTime: true, Value: gravityOf(i)},
				ingest.Reading{Sensor: s, Quantity: ingest.Temperature, Time: at, Arrived: at, DeviceTime: true, Value: float64(i % 20)})
		}
	}
	require.NoError(t, j.Record(t.Context(), all, nil))
}

// gravityOf has no more than fifteen digits: VictoriaMetrics keeps no more.
func gravityOf(i int) float64 { return float64(101320-i) / 1e5 }

// wanted are the points of the readings 0 to n-1.
func wanted(n int) map[string][]mirrortest.Point {
	all := map[string][]mirrortest.Point{}
	for _, s := range sensors {
		name := s
		if t, ok := asTag[s]; ok {
			name = t
		}
		for i := range n {
			at := pitch.Add(time.Duration(i) * 15 * time.Minute).UnixMilli()
			all[name+"|gravity"] = append(all[name+"|gravity"], mirrortest.Point{Millis: at, Value: gravityOf(i)})
			all[name+"|temperature"] = append(all[name+"|temperature"], mirrortest.Point{Millis: at, Value: float64(i % 20)})
		}
	}
	return all
}

// start runs a mirror until the test ends.
func start(t *testing.T, cfg mirror.Config, j *journal.Journal) *mirror.Mirror {
	t.Helper()
	m := mirror.New(cfg, j, nil)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); m.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return m
}

func eventually(t *testing.T, m *mirror.Mirror, what string, reached func(mirror.Status) bool) mirror.Status {
	t.Helper()
	require.Eventually(t, func() bool { return reached(m.Status()) }, mirrortest.Patience, 5*time.Millisecond, what)
	return m.Status()
}

func configFor(s *mirrortest.Server) mirror.Config {
	return mirror.Config{URL: s.URL(), Org: "cellar", Bucket: "beer", Token: "aging-hops", Chunk: 100, RetryFirst: 20 * time.Millisecond, RetryMost: 200 * time.Millisecond}
}

func eachServer(t *testing.T, test func(t *testing.T, s *mirrortest.Server)) {
	for name, make := range map[string]func(testing.TB) *mirrortest.Server{"victoria-metrics": mirrortest.VictoriaMetrics, "influxdb": mirrortest.InfluxDB} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t, make(t))
		})
	}
}

// Law: what a real server gives back is what the journal holds, point by point.
func TestServerGivesBackWhatTheJournalHolds(t *testing.T) {
	eachServer(t, func(t *testing.T, s *mirrortest.Server) {
		j := journaltest.Open(t)
		_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "wheat 12", Started: pitch})
		require.NoError(t, err)
		record(t, j, 0, 150) // twelve chunks
		say(t, j)
		m := start(t, configFor(s), j)
		eventually(t, m, "all is copied", func(st mirror.Status) bool { return st.Written == 150*8+4 })
		record(t, j, 150, 200) // and what comes while it runs
		st := eventually(t, m, "the rest is copied", func(st mirror.Status) bool { return st.Written == 200*8+4 })
		require.Empty(t, st.Problem)
		require.Zero(t, st.Behind)
		require.EqualValues(t, 1, st.Skipped, "the event without fields: %s", st.LastSkip)

		require.Equal(t, wanted(200), s.Read(t, "reading", "value", "sensor", "quantity"))
		at := pitch.Add(time.Hour).UnixMilli()
		crossing := pitch.Add(40 * time.Hour)
		for _, c := range []struct {
			measurement, field string
			value              float64
		}{
			{"estimate", "gravity", 1.0115},
			{"estimate", "gravity_sd", 0.0004},
			{"estimate", "abv", 0.23},
			{"estimate", "abv_sd", 0},
			{"estimate", "temperature", 20},
			{"projection", "crosses_probability", 1},
			{"projection", "crosses_p50", float64(crossing.Unix())},
			{"projection", "crash_by", float64(crossing.Unix()) + 0.5},
			{"projection", "abv_if_left_p90", 0.9},
			{"projection", "abv_if_crashed_now_p10", 0.3},
			{"alert", "crash_now", 3},
			{"alert", "ph", 2},
		} {
			require.Equal(t, map[string][]mirrortest.Point{"wheat 12": {{Millis: at, Value: c.value}}}, s.Read(t, c.measurement, c.field, "batch"), c)
		}
		require.Empty(t, s.Read(t, "projection", "crosses_p90", "batch"), "null makes no field")
	})
}

func say(t *testing.T, j *journal.Journal) {
	t.Helper()
	crossing := pitch.Add(40 * time.Hour).Format(time.RFC3339)
	var events []journal.Event
	for i, e := range []struct{ typ, body string }{
		{"estimate", `{"type":"estimate","gravity":1.0115,"gravity_sd":0.0004,"abv":0.23,"abv_sd":0,"temperature":20}`},
		{"projection", fmt.Sprintf(`{"crosses":{"probability":1,"p10":null,"p50":%q,"p90":null},"crash_by":"2026-03-04T10:00:00.5Z","abv_if_left":{"p10":0.7,"p50":0.8,"p90":0.9},"abv_if_crashed_now":{"p10":0.3,"p50":0.3,"p90":0.4}}`, crossing)},
		{"alert", `{"kind":"crash-now","severity":"urgent","message":"Start the crash."}`},
		{"alert", `{"kind":"ph","severity":"warning","message":"Measure the pH."}`},
		{"sentence", `"Wait."`},
		{"estimate", `{}`},
	} {
		events = append(events, journal.Event{Batch: "wheat 12", N: int64(i + 1), Type: e.typ, Time: pitch.Add(time.Hour), Body: json.RawMessage(e.body)})
	}
	require.NoError(t, j.Say(t.Context(), "wheat 12", 0, nil, events, nil, nil, pitch, nil))
}

// Law: a server that was dead for a while has every point, once, when it is
// back; meanwhile the mirror says so and nothing else is touched.
func TestServerDeadForAWhileMissesNothing(t *testing.T) {
	eachServer(t, func(t *testing.T, s *mirrortest.Server) {
		j := journaltest.Open(t)
		record(t, j, 0, 30)
		m := start(t, configFor(s), j)
		eventually(t, m, "the first are copied", func(st mirror.Status) bool { return st.Written == 30*8 })
		s.Stop(t)
		record(t, j, 30, 60)
		st := eventually(t, m, "the fault is said", func(st mirror.Status) bool { return st.Problem != "" })
		require.Contains(t, st.Problem, "is it running")
		require.Contains(t, st.Problem, s.URL())
		require.Positive(t, st.Behind)
		record(t, j, 60, 90)
		s.Again(t)
		st = eventually(t, m, "the rest is copied", func(st mirror.Status) bool { return st.Behind == 0 && st.Problem == "" })
		require.Zero(t, st.Skipped)
		require.Equal(t, wanted(90), s.Read(t, "reading", "value", "sensor", "quantity"))
	})
}

// A mirror that is started again goes on where it was, and another bucket is
// filled from the beginning.
func TestCursorOutlivesTheMirrorAndBelongsToTheBucket(t *testing.T) {
	s := mirrortest.InfluxDB(t)
	mirrortest.InfluxQL(t, s, "CREATE DATABASE cider")
	j := journaltest.Open(t)
	record(t, j, 0, 5)
	once := func(bucket string, want int64) {
		cfg := configFor(s)
		cfg.Bucket = bucket
		m := mirror.New(cfg, j, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); m.Run(ctx) }()
		eventually(t, m, "caught up", func(st mirror.Status) bool { return st.Behind == 0 && st.Written >= want })
		cancel()
		<-done
		require.Equal(t, want, m.Status().Written)
	}
	once("beer", 40)
	record(t, j, 5, 6)
	once("beer", 8)
	once("cider", 48)
	require.Equal(t, wanted(6), s.Read(t, "reading", "value", "sensor", "quantity"))
}

// Law: readings that come one by one make no commit each for the mirror's place.
func TestThePlaceIsNotedNowAndThen(t *testing.T) {
	f, cfg := newFake(t, always(204))
	now := pitch
	var mu sync.Mutex
	cfg.Now = func() time.Time { mu.Lock(); defer mu.Unlock(); return now }
	j := journaltest.Open(t)
	m := start(t, cfg, j)
	one := func(i int) {
		record(t, j, i, i+1)
		eventually(t, m, "copied", func(st mirror.Status) bool { return st.Written == int64(8*(i+1)) })
	}
	noted := func(upTo int64) {
		t.Helper()
		require.Eventually(t, func() bool {
			at, err := m.Copied(t.Context())
			return err == nil && at == upTo
		}, mirrortest.Patience, time.Millisecond)
	}
	before := j.Stats().Groups
	one(0)
	noted(8)
	for i := 1; i < 20; i++ {
		one(i)
	}
	require.EqualValues(t, 1+1+19, j.Stats().Groups-before, "the readings alone, and the first note")
	noted(8)
	mu.Lock()
	now = now.Add(10 * time.Minute)
	mu.Unlock()
	one(20)
	noted(21 * 8)
	require.Len(t, f.accepted, 21*8)
}

// InfluxDB 1.8 refuses a whole type conflict; the neighbours of such a point,
// and other series, are written.
func TestRealRefusalSkipsOnlyTheRefused(t *testing.T) {
	s := mirrortest.InfluxDB(t)
	write, err := httpPost(s.URL()+"/write?db=beer&precision=ms", fmt.Sprintf("reading,sensor=float-1,quantity=battery value=\"full\" %d", pitch.UnixMilli()))
	require.NoError(t, err)
	require.Equal(t, 204, write)
	j := journaltest.Open(t)
	record(t, j, 0, 3) // in the week whose field is text by now
	later := pitch.AddDate(0, 0, 14)
	require.NoError(t, j.Record(t.Context(), []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Gravity, Time: later, Arrived: later, Value: 1.01, DeviceTime: true}}, nil))
	m := start(t, configFor(s), j)
	st := eventually(t, m, "all is dealt with", func(st mirror.Status) bool { return st.Behind == 0 })
	require.EqualValues(t, 24, st.Skipped)
	require.EqualValues(t, 1, st.Written)
	require.Empty(t, st.Problem)
	require.Contains(t, st.LastSkip, "field type conflict")
}
