package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// due is a batch whose crash fell due a short while ago: a capture moved to the
// present, so that the daemon is live when it has read it.
type due struct {
	batch string   // its file
	id    string   // of the batch
	lines []string // payloads for cellar/float-1 up to now
	shift time.Duration
}

// dueBatch moves capture plain-02 so that its crash-now lies so long back.
func dueBatch(t testing.TB, ago time.Duration) due {
	t.Helper()
	dir := filepath.Join(captures, "plain-02")
	lines := captureLines(t, dir)
	at := crashOfPlain02(t)
	shift := time.Since(at.Add(ago)).Round(time.Second)
	text, err := os.ReadFile(timedBatch(t, dir))
	require.NoError(t, err)
	pitched := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	old := "pitched_at: " + pitched.Format(time.RFC3339)
	require.Contains(t, string(text), old)
	d := due{shift: shift, id: "tank-900002-20260302", batch: filepath.Join(t.TempDir(), "due.yaml")}
	moved := strings.Replace(string(text), old, "id: "+d.id+"\n  pitched_at: "+pitched.Add(shift).Format(time.RFC3339), 1)
	require.NoError(t, os.WriteFile(d.batch, []byte(moved), 0o600))
	for _, l := range lines {
		l.Time = l.Time.Add(shift)
		if l.Time.Before(time.Now()) {
			d.lines = append(d.lines, timed(t, []captureLine{l})...)
		}
	}
	return d
}

// temperatures publishes what the float shows now, one reading after the other.
func temperatures(t testing.TB, addr string, values ...float64) {
	t.Helper()
	for _, v := range values {
		publish(t, addr, "cellar/float-1", []string{fmt.Sprintf(`{"g":1.0105,"t":%g,"ts":%d}`, v, time.Now().UnixMilli())})
	}
}

// listener is an ordinary MQTT client that remembers what it is sent.
type listener struct {
	t      testing.TB
	client mqtt.Client
	mu     sync.Mutex
	got    []mqtt.Message
}

// listen subscribes to filters at QoS 1, again after every interruption.
func listenTo(t testing.TB, addr string, filters ...string) *listener {
	t.Helper()
	l := &listener{t: t}
	ready := make(chan struct{}, 100)
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(fmt.Sprintf("listener-%d", time.Now().UnixNano())).
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond).
		SetOnConnectHandler(func(c mqtt.Client) {
			for _, f := range filters {
				c.Subscribe(f, 1, func(_ mqtt.Client, m mqtt.Message) {
					l.mu.Lock()
					defer l.mu.Unlock()
					l.got = append(l.got, m)
				}).Wait()
			}
			ready <- struct{}{}
		})
	l.client = mqtt.NewClient(o)
	l.client.Connect()
	t.Cleanup(func() { l.client.Disconnect(100) })
	select {
	case <-ready:
	case <-time.After(longEnough):
		t.Fatalf("no subscription at %s", addr)
	}
	return l
}

// on are the messages of one topic so far.
func (l *listener) on(topic string) []mqtt.Message {
	l.mu.Lock()
	defer l.mu.Unlock()
	var some []mqtt.Message
	for _, m := range l.got {
		if m.Topic() == topic {
			some = append(some, m)
		}
	}
	return some
}

// awaitState waits for a retained state of the batch that fits, as a client that
// has just connected gets it.
func awaitState(t testing.TB, addr, batch string, patience time.Duration, fits func(stateDoc) bool) stateDoc {
	t.Helper()
	var last string
	for begun := time.Now(); time.Since(begun) < patience; time.Sleep(200 * time.Millisecond) {
		l := listenTo(t, addr, stateTopic(batch))
		time.Sleep(100 * time.Millisecond) // what is retained comes at once
		got := l.on(stateTopic(batch))
		l.client.Disconnect(0)
		if len(got) == 0 || !got[0].Retained() {
			continue
		}
		last = string(got[0].Payload())
		var doc stateDoc
		require.NoError(t, json.Unmarshal(got[0].Payload(), &doc), last)
		if fits(doc) {
			return doc
		}
	}
	t.Fatalf("no such retained state; the last one: %s", last)
	return stateDoc{}
}
