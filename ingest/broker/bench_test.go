package broker

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"

	"ebbline/ingest"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// Messages per iteration, over 200 topics.
const (
	benchMessages = 20_000
	benchTopics   = 200
)

// BenchmarkDrain empties a queue that mosquitto has kept for us, QoS 1: with a
// bare Paho subscriber that does nothing with it; with ours and a handler that
// does nothing either, which shows what this package costs; and with a handler
// that syncs every message to disk before it is acknowledged, which shows what
// the disk costs. Compare their msg/s:
//
//	go test -run '^$' -bench Drain -benchtime 5x -count 5 ./ingest/broker
func BenchmarkDrain(b *testing.B) {
	b.Run("bare", func(b *testing.B) {
		drainBench(b, func(addr string, done func()) func() {
			o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("bench").SetCleanSession(false).
				SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { done() })
			c := mqtt.NewClient(o)
			c.Connect().Wait()
			c.Subscribe("cellar/#", 1, nil).Wait()
			return func() { c.Disconnect(1000) }
		})
	})
	b.Run("ours", func(b *testing.B) {
		drainBench(b, func(addr string, done func()) func() {
			return drainOurs(b, addr, func(context.Context, ingest.Message) (Settle, error) { done(); return nil, nil })
		})
	})
}

func drainOurs(b *testing.B, addr string, h Handler) (stop func()) {
	s, err := NewSubscriber(SubscriberConfig{URLs: []string{"tcp://" + addr}, ClientID: "bench", Filters: []string{"cellar/#"}}, h)
	require.NoError(b, err)
	require.NoError(b, s.Start(context.Background()))
	return func() {
		require.Eventually(b, func() bool { return ready(s) }, patience, tick)
		require.NoError(b, s.Close())
	}
}

// drainBench times from start, which connects, to the last message.
func drainBench(b *testing.B, start func(addr string, done func()) (stop func())) {
	m := startMosquitto(b)
	start(m.addr(), func() {})() // leaves a session behind
	d := device(b, m.addr(), "publisher")
	b.ResetTimer()
	for b.Loop() {
		b.StopTimer()
		fill(b, d)
		var got atomic.Int64
		all := make(chan struct{})
		b.StartTimer()
		stop := start(m.addr(), func() {
			if got.Add(1) == benchMessages {
				close(all)
			}
		})
		<-all
		b.StopTimer()
		stop()
		b.StartTimer()
	}
	b.ReportMetric(benchMessages*float64(b.N)/b.Elapsed().Seconds(), "msg/s")
}

func fill(b *testing.B, d mqtt.Client) {
	var last mqtt.Token
	for i := range benchMessages {
		last = d.Publish(fmt.Sprint("cellar/float-", i%benchTopics), 1, false, `{"g":1.0132,"t":19.5}`)
		if i%500 == 499 { // no more under way than Paho's identifiers
			require.True(b, last.WaitTimeout(patience))
		}
	}
}

// BenchmarkEmbedded takes QoS 1 messages from 50 clients at once, each on disk
// before its PUBACK:
//
//	go test -run '^$' -bench Embedded -benchtime 5x -count 5 ./ingest/broker
func BenchmarkEmbedded(b *testing.B) {
	const clients = 50
	file, err := openSynced(filepath.Join(b.TempDir(), "stored"))
	require.NoError(b, err)
	e, err := NewEmbedded(EmbeddedConfig{Listen: "127.0.0.1:0", Rate: 1e9, Burst: 1e9}, file.handle)
	require.NoError(b, err)
	require.NoError(b, e.Start(context.Background()))
	defer func() { require.NoError(b, e.Close()); file.close() }()
	devices := make([]mqtt.Client, clients)
	for i := range devices {
		devices[i] = device(b, e.Addr(), fmt.Sprint("float-", i))
	}
	b.ResetTimer()
	for b.Loop() {
		var all sync.WaitGroup
		for i, d := range devices {
			all.Go(func() {
				var last mqtt.Token
				for n := range benchMessages / clients {
					last = d.Publish(fmt.Sprint("cellar/float-", i), 1, false, `{"g":1.0132,"t":19.5}`)
					if n%20 == 19 {
						last.WaitTimeout(patience)
					}
				}
				last.WaitTimeout(patience)
			})
		}
		all.Wait()
	}
	b.ReportMetric(benchMessages*float64(b.N)/b.Elapsed().Seconds(), "msg/s")
}
