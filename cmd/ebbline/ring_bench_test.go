package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
)

// BenchmarkReadingToRing takes the time from the publication of the reading by
// which crash-now falls due to its arrival at the webhook, while 200 other
// readings a second come in. One daemon an iteration, so:
//
//	go test -run '^$' -bench ReadingToRing -benchtime 100x ./cmd/ebbline
func BenchmarkReadingToRing(b *testing.B) {
	at := crashOfPlain02(b)
	before := slices.IndexFunc(captureLines(b, filepath.Join(captures, "plain-02")), func(l captureLine) bool { return !l.Time.Before(at) })

	var took []time.Duration
	for b.Loop() {
		took = append(took, ringOnce(b, at, before))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Milliseconds()), "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Milliseconds()), "p99-ms")
}

// ringOnce is how long the reading on which crash-now falls due takes to the
// phone. Each time in a new daemon: what is drawn for a batch, and with it the
// moment, depends on its name.
func ringOnce(b *testing.B, at time.Time, before int) time.Duration {
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
	defer client.Disconnect(0)
	// Past enough for the batch's clock to follow the readings, and not found out late.
	due := dueBatch(b, 15*time.Minute)
	text, err := os.ReadFile(due.batch)
	require.NoError(b, err)
	_, err = d.StartBatch(b.Context(), text)
	require.NoError(b, err)
	for _, p := range due.lines[:before] {
		require.True(b, client.Publish("cellar/float-1", 1, false, p).WaitTimeout(time.Minute))
	}
	require.Eventually(b, func() bool {
		st, _, _ := d.keeper.stateOf(due.id)
		return !st.Now.Before(at.Add(due.shift - 16*time.Minute))
	}, time.Minute, time.Millisecond)
	require.Empty(b, phone.of("crash-now"))
	begun := time.Now()
	client.Publish("cellar/float-1", 1, false, due.lines[before])
	require.Eventually(b, func() bool { return len(phone.of("crash-now")) > 0 }, time.Minute, time.Millisecond)
	return phone.of("crash-now")[0].At.Sub(begun)
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
