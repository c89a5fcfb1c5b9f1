package page

import (
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

func (c *cellar) series(query string) graph {
	c.Helper()
	r := c.api(http.MethodGet, "/api/v1/batches/pale-12/series"+query, "", c.token())
	require.Equal(c, http.StatusOK, r.status, r.body)
	var g graph
	require.NoError(c, json.Unmarshal([]byte(r.body), &g))
	return g
}

// A silence of five hours is a gap in the readings, the temperature and the
// estimate, and nowhere else is one.
func TestAGapIsAGap(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for _, query := range []string{"", "?buckets=50", "?buckets=1000"} {
		g := c.series(query)
		gapAt := func(times []float64, empty []bool) {
			t.Helper()
			var gaps []float64
			for i, e := range empty {
				if e {
					gaps = append(gaps, times[i])
				}
			}
			require.Len(t, gaps, 1, query)
			h := time.Unix(int64(gaps[0]), 0).Sub(noon.Add(-48 * time.Hour)).Hours()
			require.True(t, h > 20 && h < 25, "the gap is at hour %g", h)
		}
		var at []float64
		var empty []bool
		for _, b := range g.Gravity[0].Bins {
			at, empty = append(at, *b[0]), append(empty, b[2] == nil)
		}
		gapAt(at, empty)
		at, empty = nil, nil
		for _, b := range g.Temperature[0].Bins {
			at, empty = append(at, *b[0]), append(empty, b[2] == nil)
		}
		gapAt(at, empty)
		at, empty = nil, nil
		for _, b := range g.Estimate {
			at, empty = append(at, *b[0]), append(empty, b[1] == nil)
		}
		gapAt(at, empty)
	}
}

// However few the buckets, a spike of one reading is in the picture.
func TestASpikeStaysVisible(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for _, query := range []string{"?buckets=12", "?buckets=100", "?buckets=1000"} {
		highest := 0.0
		for _, b := range c.series(query).Gravity[0].Bins {
			if b[3] != nil {
				highest = math.Max(highest, *b[3])
			}
		}
		require.InDelta(t, curve(34)+0.0004*math.Sin(34*7)+0.002, highest, 1e-5, query)
	}
}

// A range asked for is kept to, and the answer is bounded.
func TestSeriesKeepsToItsRange(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	g := c.series("?from=2026-03-04T18:30:00Z&to=2026-03-05T06:30:00Z&buckets=40")
	require.InDelta(t, float64(noon.Add(-24*time.Hour).Unix()), g.From, 0)
	require.LessOrEqual(t, len(g.Gravity[0].Bins), 42)
	require.LessOrEqual(t, len(g.Estimate), 42)
	for _, b := range g.Gravity[0].Bins {
		require.True(t, *b[0] >= g.From-1200 && *b[0] <= g.To, "bin at %v", *b[0])
	}
}

// Without a range the graph reaches from pitch beyond the crossing, so that
// what matters is in the picture.
func TestTheWholeBatchAndWhatComes(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	g := c.series("")
	require.InDelta(t, float64(noon.Add(-48*time.Hour).Unix()), g.From, 0)
	require.Greater(t, g.To, *g.CrashBy)
	require.Greater(t, g.To, float64(noon.Add(12*time.Hour).Unix())-1)
	require.NotEmpty(t, g.Fan)
	var kinds []string
	for _, m := range g.Marks {
		kinds = append(kinds, m.Kind)
	}
	require.Equal(t, []string{"pitched", "note", "sample", "alert"}, kinds, "in the order of time")
	require.InDelta(t, 1.0116, *g.Marks[2].Value, 1e-9)
}

// Old readings grey the projection and say so; the sentence stays.
func TestOldReadingsAreSaidToBeOld(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	require.NotContains(t, c.get(b, "/batch/pale-12").body, "Old data")
	c.advance(3 * time.Hour)
	body := c.get(b, "/batch/pale-12").body
	require.Contains(t, body, "<strong>Old data.</strong> The last gravity reading is 3 h 15 min old.")
	require.Contains(t, body, "Start the crash by 18:55 today.")
	require.True(t, c.series("").Stale)
	require.Contains(t, c.get(b, "/").body, "too old to trust")
}

// A batch that was never heard of says so and shows no invented figure.
func TestABatchBeforeItsFirstReading(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	body := c.get(c.loggedIn(), "/batch/pale-12").body
	require.Contains(t, body, "Waiting for the first reading")
	require.Contains(t, body, "No gravity reading has come since pitch")
	require.NotContains(t, body, "Attenuation")
	g := c.series("")
	require.Empty(t, g.Gravity)
	require.Empty(t, g.Fan)
}

// Readings from before the batch, of a float that served another one, are not
// this batch's last reading.
func TestReadingsOfTheBatchBeforeDoNotCount(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	old := ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: noon.Add(-100 * time.Hour), Arrived: noon.Add(-100 * time.Hour), Value: 1.009, DeviceTime: true}
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{old}, nil))
	c.start(pale())
	b, err := c.journal.Batch(t.Context(), "pale-12")
	require.NoError(t, err)
	st, err := c.server.status(t.Context(), b)
	require.NoError(t, err)
	require.True(t, st.NeverHeard)
}

// The most urgent batch stands first: by severity, then by the crash's time.
func TestUrgency(t *testing.T) {
	t.Parallel()
	at := func(h int) *outlook { x := noon.Add(time.Duration(h) * time.Hour); return &outlook{CrashBy: &x} }
	mild := &status{Batch: journal.Batch{Name: "mild"}, Outlook: at(1)}
	soon := &status{Batch: journal.Batch{Name: "soon"}, Alerts: []journal.Alert{{Severity: "warning"}}, Outlook: at(9)}
	sooner := &status{Batch: journal.Batch{Name: "sooner"}, Alerts: []journal.Alert{{Severity: "warning"}}, Outlook: at(2)}
	answered := &status{Batch: journal.Batch{Name: "answered"}, Alerts: []journal.Alert{{Severity: "urgent", Acknowledged: &noon}}}
	alarm := &status{Batch: journal.Batch{Name: "alarm"}, Alerts: []journal.Alert{{Severity: "urgent"}}}
	order := []*status{alarm, answered, sooner, soon, mild}
	for i, a := range order {
		for j, b := range order {
			switch got := mostUrgent(a, b); {
			case i < j:
				require.Negative(t, got, "%s before %s", a.Batch.Name, b.Batch.Name)
			case i > j:
				require.Positive(t, got, "%s after %s", a.Batch.Name, b.Batch.Name)
			}
		}
	}
}

// The target is always in the picture, a spike does not flatten it, and a float
// that shows three points too much is still seen.
func TestWhatThePictureShows(t *testing.T) {
	t.Parallel()
	target := 1.0094
	rows := func(values ...float64) (out []bin) {
		for i, v := range values {
			at := float64(i)
			out = append(out, bin{&at, &v, &v, &v})
		}
		return out
	}
	steady := slices.Repeat([]float64{1.0160}, 100)
	for name, one := range map[string]struct {
		bins                []bin
		low, above, notOver float64
	}{
		"good float":     {rows(slices.Repeat([]float64{1.0128}, 100)...), 1.0094, 1.0132, 1.0150},
		"three too much": {rows(steady...), 1.0094, 1.0160, 1.0180},
		"a spike":        {rows(append(slices.Repeat([]float64{1.0128}, 100), 1.150)...), 1.0094, 1.0132, 1.0150},
		"far off":        {rows(slices.Repeat([]float64{1.090}, 100)...), 1.0094, 1.0132, 1.0150},
	} {
		t.Run(name, func(t *testing.T) {
			lo, hi := gravityRange(&graph{Original: 1.0132, Target: &target, Gravity: []sensorSeries{{Bins: one.bins}}})
			require.Less(t, lo, one.low)
			require.Greater(t, hi, one.above)
			require.Less(t, hi, one.notOver)
		})
	}
}

// Asking for the last estimate of each bucket gives what reading all and
// thinning gives.
func TestEstimatesAreThinnedAlikeEitherWay(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	w := window{from: noon.Add(-48 * time.Hour), to: noon, buckets: 20}
	require.Greater(t, w.to.Sub(w.from)/20, sparse)
	asked, err := c.server.estimates(t.Context(), "pale-12", w)
	require.NoError(t, err)
	all, err := c.journal.Events(t.Context(), "pale-12", []string{"estimate"}, w.from, w.to, mostEvents, false)
	require.NoError(t, err)
	require.Greater(t, len(all), 100)
	require.Equal(t, thin(all, w), asked)
	require.Len(t, asked, 19, "one bucket lies in the gap")
}
