package mirror_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
	"ebbline/ingest/mirror"
	"ebbline/ingest/mirror/mirrortest"
)

// hostile are names that a topic filter with # can make of anybody's topic.
var hostile = []string{
	"a b,c=d", `back\slash`, `ends in \`, `"quoted"`, "new\nline", "tab\tand\rreturn", "#comment", " leading", "trailing ", "_measurement", "=", ",",
	"süß/麦汁/🍺", "\u2028separator", "nul\x00byte", "bad\xffutf8", strings.Repeat("long", 300), "reading,quantity=gravity value=9 1", "\u202eright to left",
}

// decoded is one line as the published parser reads it.
type decoded struct {
	measurement string
	tags        map[string]string
	fields      map[string]float64
	at          time.Time
}

// decodeLines reads a request body by the parser that InfluxData publishes for
// the line protocol (github.com/influxdata/line-protocol/v2), and requires
// beyond it what the reference (docs.influxdata.com, "Line protocol reference")
// asks for: tags sorted by key, no tag twice, no name that begins with "_",
// finite float fields, a timestamp.
func decodeLines(t testing.TB, body string) (all []decoded) {
	t.Helper()
	require.True(t, strings.HasSuffix(body, "\n"), "every line ends")
	dec := lineprotocol.NewDecoderWithBytes([]byte(body))
	for dec.Next() {
		m, err := dec.Measurement()
		require.NoError(t, err, body)
		d := decoded{measurement: string(m), tags: map[string]string{}, fields: map[string]float64{}}
		last := ""
		for {
			key, value, err := dec.NextTag()
			require.NoError(t, err, body)
			if key == nil {
				break
			}
			require.Less(t, last, string(key), "tags are sorted and none is twice")
			require.NotEmpty(t, value)
			last = string(key)
			d.tags[last] = string(value)
		}
		for {
			key, value, err := dec.NextField()
			require.NoError(t, err, body)
			if key == nil {
				break
			}
			require.False(t, strings.HasPrefix(string(key), "_"))
			require.NotContains(t, d.fields, string(key))
			require.Equal(t, lineprotocol.Float, value.Kind(), "a field is a float and stays one: %s", key)
			require.False(t, math.IsNaN(value.FloatV()) || math.IsInf(value.FloatV(), 0))
			d.fields[string(key)] = value.FloatV()
		}
		require.NotEmpty(t, d.fields)
		d.at, err = dec.Time(lineprotocol.Microsecond, time.Time{})
		require.NoError(t, err, body)
		require.False(t, d.at.IsZero(), "every line has its time")
		all = append(all, d)
	}
	return all
}

// Law: whatever a sensor or batch is named, the request is line protocol, line
// for point; a name changes only where no server can write it; and no tag or
// measurement comes from a name.
func TestRequestsAreLineProtocol(t *testing.T) {
	t.Parallel()
	f, cfg := newFake(t, always(204))
	j := journaltest.Open(t)
	var readings []ingest.Reading
	for i, name := range hostile {
		readings = append(readings, ingest.Reading{Sensor: name, Quantity: ingest.Gravity, Time: pitch, Arrived: pitch, DeviceTime: true, Value: gravityOf(i)})
	}
	require.NoError(t, j.Record(t.Context(), readings, nil))
	for i, name := range hostile {
		id := fmt.Sprintf("%d %s", i, name)
		_, err := j.CreateBatch(t.Context(), journal.Batch{ID: id, Started: pitch})
		require.NoError(t, err)
		require.NoError(t, j.Say(t.Context(), id, 0, nil, []journal.Event{
			{Batch: id, N: 1, Type: "estimate", Time: pitch, Body: json.RawMessage(`{"gravity":1.0115,"abv":0.23}`)},
			{Batch: id, N: 2, Type: "alert", Time: pitch, Body: json.RawMessage(`{"kind":"crash-now","severity":"urgent"}`)},
		}, nil, nil, pitch, nil))
	}
	m := start(t, cfg, j)
	eventually(t, m, "all is copied", func(st mirror.Status) bool { return st.Written == int64(3*len(hostile)) })

	measurements, tags, names := map[string]int{}, map[string]bool{}, map[string]bool{}
	f.mu.Lock()
	defer f.mu.Unlock()
	for line := range f.accepted {
		all := decodeLines(t, line+"\n")
		require.Len(t, all, 1, line)
		measurements[all[0].measurement]++
		for k, v := range all[0].tags {
			tags[k] = true
			require.LessOrEqual(t, len([]rune(v)), 256)
			if k == "sensor" {
				names[v] = true
			}
		}
		require.Equal(t, pitch, all[0].at.UTC())
	}
	require.Equal(t, map[string]int{"reading": len(hostile), "estimate": len(hostile), "alert": len(hostile)}, measurements)
	require.Equal(t, map[string]bool{"sensor": true, "quantity": true, "batch": true}, tags)
	require.Len(t, names, len(hostile), "no two names become one")
	require.Contains(t, names, "süß/麦汁/🍺", "what can be written stays as it is")
}

// Law: a value that is no finite number is skipped and counted, and its
// neighbours are copied.
func TestWhatIsNoNumberIsSkippedAndCounted(t *testing.T) {
	t.Parallel()
	f, cfg := newFake(t, always(204))
	j, err := journal.Open(t.TempDir(), journal.Options{}) // not journaltest's, whose check finds them
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	_, err = j.CreateBatch(t.Context(), journal.Batch{ID: "wheat", Started: pitch})
	require.NoError(t, err)
	bodies := []string{`{"gravity":1.01}`, `{"gravity":1e999}`, `{"gravity":NaN}`, `{"gravity":null}`, `{"gravity":"1.01"}`, `{"abv":0.3}`}
	var events []journal.Event
	for i, b := range bodies {
		events = append(events, journal.Event{Batch: "wheat", N: int64(i + 1), Type: "estimate", Time: pitch.Add(time.Duration(i) * time.Hour), Body: json.RawMessage(b)})
	}
	require.NoError(t, j.Say(t.Context(), "wheat", 0, nil, events, nil, nil, pitch, nil))
	st := eventually(t, start(t, cfg, j), "all is dealt with", func(st mirror.Status) bool { return st.Written+st.Skipped == int64(len(bodies)) })
	require.EqualValues(t, 2, st.Written)
	require.EqualValues(t, 4, st.Skipped)
	require.Contains(t, st.LastSkip, "estimate 5 of batch wheat")
	require.Len(t, f.accepted, 2)
}

// Law: Flux reads back what InfluxQL does.
func TestFluxReadsItBack(t *testing.T) {
	t.Parallel()
	s := mirrortest.InfluxDB(t)
	j := journaltest.Open(t)
	record(t, j, 0, 8)
	eventually(t, start(t, configFor(s), j), "all is copied", func(st mirror.Status) bool { return st.Written == 8*8 })
	rows := mirrortest.Flux(t, s, `from(bucket: "beer")
		|> range(start: 2026-01-01T00:00:00Z, stop: 2027-01-01T00:00:00Z)
		|> filter(fn: (r) => r._measurement == "reading" and r._field == "value" and r.sensor == "cellar/tank 7, left" and r.quantity == "gravity")`)
	require.Len(t, rows, 8)
	for i, row := range rows {
		require.Equal(t, pitch.Add(time.Duration(i)*15*time.Minute).Format(time.RFC3339), row["_time"])
		require.Equal(t, fmt.Sprint(gravityOf(i)), row["_value"])
	}
}

// Law: an answer that is lost on its way makes the mirror send again, and still
// every point is there once.
func TestLostAnswersDoubleNothing(t *testing.T) {
	eachServer(t, func(t *testing.T, s *mirrortest.Server) {
		to, err := url.Parse(s.URL())
		require.NoError(t, err)
		forward := httputil.NewSingleHostReverseProxy(to)
		var mu sync.Mutex
		asked := 0
		between := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			mu.Lock()
			asked++
			lose := asked%3 == 1
			mu.Unlock()
			if !lose {
				forward.ServeHTTP(w, r)
				return
			}
			forward.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler) // the server took it; nobody hears of it
		}))
		defer between.Close()
		cfg := configFor(s)
		cfg.URL = between.URL
		j := journaltest.Open(t)
		record(t, j, 0, 60)
		st := eventually(t, start(t, cfg, j), "all is copied", func(st mirror.Status) bool { return st.Written == 60*8 })
		require.Zero(t, st.Skipped)
		require.Equal(t, wanted(60), s.Read(t, "reading", "value", "sensor", "quantity"))
	})
}
