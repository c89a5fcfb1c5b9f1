package main

import (
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
)

// BenchmarkReadingToRing takes the time from the publication of the reading by
// which crash-now falls due to its arrival at the webhook, while 200 other
// readings a second come in. One batch an iteration, so:
//
//	go test -run '^$' -bench ReadingToRing -benchtime 100x ./cmd/ebbline
func BenchmarkReadingToRing(b *testing.B) {
	dir := captures + "/plain-02"
	lines, file := captureLines(b, dir), timedBatch(b, dir)
	at := crashOfPlain02(b)
	before := slices.IndexFunc(lines, func(l captureLine) bool { return !l.Time.Before(at) })
	payloads := timed(b, lines[:before+1])
	text, err := os.ReadFile(file)
	require.NoError(b, err)

	phone := newSink(b)
	cfg := &config.Config{
		Data: b.TempDir(), MQTT: config.MQTT{Listen: "127.0.0.1:0"}, Page: config.Page{Listen: "127.0.0.1:0"},
		Notify: []config.Channel{{Name: "phone", Kind: "webhook", URL: phone.URL + "/hook"}},
		Sensors: []ingest.Sensor{{Name: "room", Topic: "room/+", Readings: []ingest.ReadingSpec{
			{Quantity: ingest.Temperature, Pointer: "", Unit: "Cel"},
		}}},
	}
	d, err := startDaemon(b.Context(), cfg, wallClock{}, true, slog.New(slog.DiscardHandler))
	require.NoError(b, err)
	defer func() { require.NoError(b, d.Close()) }()
	stop := chatter(b, d.mqttAddr())
	defer stop()
	client := connected(b, d.mqttAddr())
	var took []time.Duration
	for i := 0; b.Loop(); i++ {
		float, id := fmt.Sprint("float-", i+1000), fmt.Sprint("ring-", i+1000)
		own := strings.ReplaceAll(string(text), "float-1", float)
		own = strings.Replace(own, "  name:", "  id: "+id+"\n  name:", 1)
		_, err := d.StartBatch(b.Context(), []byte(own))
		require.NoError(b, err)
		for _, p := range payloads[:before] {
			require.True(b, client.Publish("cellar/"+float, 1, false, p).WaitTimeout(time.Minute))
		}
		require.Eventually(b, func() bool {
			st, _, _ := d.keeper.stateOf(id)
			return !st.Now.Before(at.Add(-16 * time.Minute))
		}, time.Minute, time.Millisecond)
		begun := time.Now()
		client.Publish("cellar/"+float, 1, false, payloads[before])
		require.Eventually(b, func() bool { return len(phone.of("crash-now")) > i }, time.Minute, time.Millisecond)
		took = append(took, phone.of("crash-now")[i].At.Sub(begun))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Milliseconds()), "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Milliseconds()), "p99-ms")
}

// chatter publishes 200 readings a second of sensors that belong to no batch.
func chatter(b *testing.B, addr string) (stop func()) {
	client := connected(b, addr)
	quit, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for n := 0; ; n++ {
			select {
			case <-quit:
				return
			case <-tick.C:
				client.Publish(fmt.Sprint("room/", n%50), 1, false, fmt.Sprintf("%.2f", 19+float64(n%100)/100))
			}
		}
	}()
	return func() { close(quit); <-done }
}
