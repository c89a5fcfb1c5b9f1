package journal

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
	"ebbline/ingest"
	"ebbline/ingest/broker"
)

// Messages of one measurement, over so many topics.
const (
	streamMessages = 10_000
	streamTopics   = 200
)

// streamPayloads hold two readings each.
func streamPayloads() map[string]string {
	small := `{"g":1.0132,"t":19.5,"id":"float","v":"`
	return map[string]string{
		"120-bytes": small + strings.Repeat("x", 120-len(small)-2) + `"}`,
		"1-kB":      small + strings.Repeat("x", 1024-len(small)-2) + `"}`,
	}
}

// BenchmarkStream compares, turn by turn in one run and from one mosquitto, what
// a bare Paho subscriber receives and acknowledges with what we decode, commit
// and acknowledge, on this disk and on one that takes 20 ms more a commit;
// draining a queue, and live while a publisher sends as fast as it can. The
// publisher and the broker share the machine. The broker's window is open
// (max_inflight_messages 0), or as it comes (20).
//
//	go test -run '^$' -bench Stream -benchtime 3x ./ingest/journal
func BenchmarkStream(b *testing.B) {
	for _, window := range []int{0, 20} {
		for _, way := range []string{"drain", "live"} {
			for size, payload := range streamPayloads() {
				b.Run(fmt.Sprintf("%s/%s/window-%d", way, size, window), func(b *testing.B) { streamBench(b, way == "live", payload, window) })
			}
		}
	}
}

func streamBench(b *testing.B, live bool, payload string, window int) {
	addr := streamBroker(b, window)
	takers := []taker{&bareTaker{n: new(atomic.Int64)}, newDurable(b, 0), newDurable(b, 20*time.Millisecond)}
	names := []string{"bare", "durable", "durable-20ms"}
	took := make([]time.Duration, len(takers))
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("publisher")
	publisher := mqtt.NewClient(o)
	require.True(b, publisher.Connect().WaitTimeout(time.Minute))
	defer publisher.Disconnect(100)
	for b.Loop() {
		for i, t := range takers {
			t.begin(b, addr) // leaves a session behind
			if !live {
				t.end(b)
				publishAll(b, publisher, payload)
			}
			begun := time.Now()
			if live {
				publishAll(b, publisher, payload)
			} else {
				t.begin(b, addr)
			}
			for t.count() < streamMessages {
				time.Sleep(200 * time.Microsecond)
			}
			took[i] += time.Since(begun)
			t.end(b)
			forget(b, addr, t.name())
		}
	}
	for i, name := range names {
		b.ReportMetric(streamMessages*float64(b.N)/took[i].Seconds(), name+"-msg/s")
		if i > 0 {
			b.ReportMetric(took[0].Seconds()/took[i].Seconds(), name+"/bare")
		}
	}
	b.ReportMetric(0, "ns/op")
}

// taker receives and acknowledges.
type taker interface {
	begin(b *testing.B, addr string)
	count() int64 // messages acknowledged
	end(b *testing.B)
	name() string // its client id
}

type bareTaker struct {
	client mqtt.Client
	n      *atomic.Int64
}

func (t *bareTaker) begin(b *testing.B, addr string) {
	n := new(atomic.Int64) // what a connection that ends still hands on does not count
	t.n = n
	t.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("bare").SetCleanSession(false).
		SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { n.Add(1) }))
	require.True(b, t.client.Connect().WaitTimeout(time.Minute))
	require.True(b, t.client.Subscribe("cellar/#", 1, nil).WaitTimeout(time.Minute))
}
func (t *bareTaker) count() int64   { return t.n.Load() }
func (t *bareTaker) end(*testing.B) { t.client.Disconnect(100) }
func (t *bareTaker) name() string   { return "bare" }

// durableTaker decodes and stores as the daemon does.
type durableTaker struct {
	id     string
	j      *Journal
	mu     sync.Mutex
	mapper *ingest.Mapper
	source *broker.Subscriber
}

func newDurable(b *testing.B, slow time.Duration) *durableTaker {
	j, err := Open(b.TempDir(), Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, j.Close()) })
	if slow > 0 {
		require.NoError(b, j.change(b.Context(), func(w *writer) error { w.slow = func() { time.Sleep(slow) }; return nil }))
	}
	m, err := ingest.Compile([]ingest.Sensor{{Name: "float", Topic: "cellar/+", Readings: []ingest.ReadingSpec{
		{Quantity: ingest.Gravity, Pointer: "/g", Unit: "sg"}, {Quantity: ingest.Temperature, Pointer: "/t", Unit: "Cel"},
	}}})
	require.NoError(b, err)
	return &durableTaker{id: fmt.Sprint("durable-", slow), j: j, mapper: m}
}

func (t *durableTaker) begin(b *testing.B, addr string) {
	s, err := broker.NewSubscriber(broker.SubscriberConfig{URLs: []string{"tcp://" + addr}, ClientID: t.id, Filters: []string{"cellar/#"}}, t.take)
	require.NoError(b, err)
	require.NoError(b, s.Start(context.Background()))
	t.source = s
	for st := s.Status(); !st.Connected || !st.Filters[0].Granted; st = s.Status() {
		time.Sleep(200 * time.Microsecond)
	}
}

func (t *durableTaker) take(ctx context.Context, m ingest.Message) (broker.Settle, error) {
	t.mu.Lock()
	readings, refusals := t.mapper.Decode(m)
	t.mu.Unlock()
	return t.j.Enqueue(ctx, readings, refusals), nil
}

func (t *durableTaker) count() int64 { return int64(t.source.Status().Acknowledged) }

func (t *durableTaker) end(b *testing.B) { require.NoError(b, t.source.Close()) }
func (t *durableTaker) name() string     { return t.id }

// forget ends a session and its queue at the broker.
func forget(b *testing.B, addr, id string) {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetCleanSession(true))
	require.True(b, c.Connect().WaitTimeout(time.Minute))
	c.Disconnect(100)
}

func publishAll(b *testing.B, publisher mqtt.Client, payload string) {
	for i := range streamMessages {
		token := publisher.Publish(fmt.Sprint("cellar/", i%streamTopics), 1, false, payload)
		if i%500 == 499 { // no more under way than Paho's identifiers
			require.True(b, token.WaitTimeout(time.Minute))
		}
	}
}

// streamBroker is Debian's mosquitto on a free loopback port.
func streamBroker(b *testing.B, window int) string {
	addr := porttest.Address(b)
	_, port, err := net.SplitHostPort(addr)
	require.NoError(b, err)
	dir := b.TempDir()
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nmax_queued_messages 100000\nmax_inflight_messages %d\nlog_dest none\nuser root\n", port, dir, window)
	require.NoError(b, os.WriteFile(filepath.Join(dir, "m.conf"), []byte(text), 0o600))
	cmd := exec.CommandContext(context.Background(), "/usr/sbin/mosquitto", "-c", filepath.Join(dir, "m.conf"))
	require.NoError(b, cmd.Start(), "mosquitto is part of the set-up")
	b.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	require.Eventually(b, func() bool {
		c, err := (&net.Dialer{}).DialContext(b.Context(), "tcp", addr)
		return err == nil && c.Close() == nil
	}, time.Minute, 5*time.Millisecond)
	return addr
}
