package main

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// everyoneHangs is a configuration in which every address of the outside world
// takes connections and never answers.
func everyoneHangs(t testing.TB) string {
	o := newOutside(t)
	o.hang.Store(true)
	return fmt.Sprintf("notify: [{webhook: %q}, {ntfy: %q}]\nalive: {url: %q, every: 1s}\ninsist: {first: 1s, then: 1s}\nmirror: {influxdb: {url: %q, org: cellar, bucket: beer}}\n",
		o.URL+"/hook", o.URL+"/topic", o.URL+"/alive", o.URL)
}

// TestIngestGoesOnWhileTheWorldHangs lets a crash fall due with every endpoint
// hanging: readings are stored and acknowledged, the watch goes on, the page
// answers, and health says that nobody is reached.
func TestIngestGoesOnWhileTheWorldHangs(t *testing.T) {
	t.Parallel()
	d := dueBatch(t, time.Hour)
	h := newResidence(t)
	h.extra = everyoneHangs(t)
	p := h.serve(t, d.batch)
	publish(t, p.mqtt, "cellar/float-1", d.lines)
	require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/alerts"), "crash-now") }, longEnough, 50*time.Millisecond)
	c := connected(t, p.mqtt)
	for i := range 300 {
		reading := fmt.Sprintf(`{"g":1.0105,"t":%g,"ts":%d}`, 20+float64(i)/100, time.Now().UnixMilli())
		for err := wait(c.Publish("cellar/float-1", 1, false, reading)); err != nil; { // a commit took too long: as a float does
			t.Logf("reading %d again: %v", i, err)
			c = connected(t, p.mqtt)
			err = wait(c.Publish("cellar/float-1", 1, false, reading))
		}
	}
	require.Equal(t, 200, p.status("/readyz"))
	temperatures(t, p.mqtt, 19)
	begun := time.Now()
	p.term()
	t.Logf("stopped after %v with messages under way", time.Since(begun).Round(10*time.Millisecond))
	j := openJournal(t, h.data)
	last := storedGravities(t, j, "float-1")
	require.WithinDuration(t, time.Now(), last[len(last)-1].Time, time.Minute)
}

func connected(t testing.TB, addr string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(fmt.Sprintf("c-%d", time.Now().UnixNano())).SetAutoReconnect(false))
	require.True(t, c.Connect().WaitTimeout(longEnough))
	require.True(t, c.IsConnectionOpen())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// BenchmarkIngestWhileTheWorldHangs compares the time from publish to PUBACK,
// which is after the commit, of two daemons side by side with crash-now ringing:
// one whose endpoints answer, one whose endpoints hang. Message by message in
// turn, so that both meet the same machine.
func BenchmarkIngestWhileTheWorldHangs(b *testing.B) {
	d := dueBatch(b, time.Hour)
	well := newSink(b)
	kinds := []string{"healthy", "hanging"}
	extra := map[string]string{
		"healthy": fmt.Sprintf("notify: [{webhook: %q}, {ntfy: %q}]\ninsist: {first: 1s, then: 1s}\n", well.URL+"/hook", well.URL+"/topic"),
		"hanging": everyoneHangs(b),
	}
	clients, took := map[string]mqtt.Client{}, map[string][]time.Duration{}
	for _, kind := range kinds {
		h := newResidence(b)
		h.extra = extra[kind]
		p := h.serve(b, d.batch)
		publish(b, p.mqtt, "cellar/float-1", d.lines)
		require.Eventually(b, func() bool { return strings.Contains(p.get("/api/v1/alerts"), "crash-now") }, time.Minute, 50*time.Millisecond)
		clients[kind] = connected(b, p.mqtt)
	}
	for i := 0; b.Loop(); i++ {
		for turn := range kinds {
			kind := kinds[(i+turn)%2]
			begun := time.Now()
			token := clients[kind].Publish("cellar/float-1", 1, false, fmt.Sprintf(`{"g":1.0105,"t":%g,"ts":%d}`, 20+float64(i%100)/100, begun.UnixMilli()))
			require.True(b, token.WaitTimeout(time.Minute))
			took[kind] = append(took[kind], time.Since(begun))
		}
	}
	for _, kind := range kinds {
		all := slices.Clone(took[kind])
		sort.Slice(all, func(i, j int) bool { return all[i] < all[j] })
		b.ReportMetric(float64(all[len(all)/2].Microseconds()), "p50-"+kind+"-µs")
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds()), "p99-"+kind+"-µs")
	}
}
