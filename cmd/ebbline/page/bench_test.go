package page

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// year is a cellar whose batch has a year of readings of gravity and temperature,
// one a minute (2 × 525,600), and an estimate every quarter of an hour.
func year(b *testing.B) *cellar {
	c := newCellar(b, func(o *Options) { o.Open = true })
	const minutes = 365 * 24 * 60
	p := pale()
	p.PitchedAt = noon.Add(-minutes * time.Minute)
	c.start(p)
	var readings []ingest.Reading
	var events []journal.Event
	flush := func() {
		require.NoError(b, c.journal.Record(b.Context(), readings, nil))
		require.NoError(b, c.journal.Say(b.Context(), p.ID, 0, nil, events, nil, nil, noon, nil))
		readings, events = readings[:0], events[:0]
	}
	for i := range minutes {
		at := p.PitchedAt.Add(time.Duration(i) * time.Minute)
		v := 1.009 + 0.004*math.Exp(-float64(i)/20000) + 0.0004*math.Sin(float64(i))
		readings = append(readings,
			ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, Value: v, DeviceTime: true},
			ingest.Reading{Sensor: "float-1", Quantity: ingest.Temperature, Time: at, Arrived: at, Value: 19 + math.Sin(float64(i)/700), DeviceTime: true})
		if i%15 == 0 {
			raw, err := json.Marshal(estimate{Time: at, Gravity: v, GravitySD: 0.0004, ABV: 0.3, ABVSD: 0.05})
			require.NoError(b, err)
			events = append(events, journal.Event{Batch: p.ID, N: int64(i/15 + 1), Type: "estimate", Time: at, Body: raw})
		}
		if len(readings) == 20_000 {
			flush()
		}
	}
	flush()
	return c
}

// BenchmarkSeriesOfAYear is what a phone waits for when it opens the graph of a
// batch of a year. Its size is reported as it goes over the wire.
func BenchmarkSeriesOfAYear(b *testing.B) {
	c := year(b)
	for _, buckets := range []string{"390", "600"} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1/api/v1/batches/pale-12/series?buckets="+buckets, nil)
		r.Header.Set("Accept-Encoding", "gzip")
		b.Run(buckets, func(b *testing.B) {
			for b.Loop() {
				w := httptest.NewRecorder()
				c.server.Handler().ServeHTTP(w, r)
				require.Equal(b, http.StatusOK, w.Code)
				require.Less(b, w.Body.Len(), 60<<10)
				b.ReportMetric(float64(w.Body.Len()), "bytes/answer")
			}
		})
	}
}

// BenchmarkFirstDrawing opens the batch of a year in Chromium at a fourfold
// slowed processor. It reports the time from the data's arrival until the graph
// is drawn, and from the request of the page until then.
func BenchmarkFirstDrawing(b *testing.B) {
	c := year(b)
	t := c.open(b, chromium(b))
	t.size(b, 390, "light")
	_, err := chromedp.Call(t.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	require.NoError(b, err)
	var drawing, all float64
	n := 0.0
	for b.Loop() {
		t.visit(b, "/batch/pale-12")
		t.until(b, ready)
		drawing += eval[float64](b, t, `performance.getEntriesByName("drawn")[0].startTime - performance.getEntriesByType("resource").find((e) => e.name.includes("/series")).responseEnd`)
		all += eval[float64](b, t, `performance.getEntriesByName("drawn")[0].startTime`)
		n++
	}
	b.ReportMetric(drawing/n, "ms-drawing")
	b.ReportMetric(all/n, "ms-from-request")
}
