package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

const countingSensor = `sensors:
  - name: counter
    topic: cellar/counter
    time: /ts
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
`

// device publishes numbered readings at QoS 1, one every 5 ms, and remembers
// which the broker acknowledged. A number is its device time in milliseconds
// after start.
type device struct {
	t     *testing.T
	addr  string
	start time.Time
	acked []int
	stop  chan struct{}
	done  chan struct{}
}

func startDevice(t *testing.T, addr string) *device {
	d := &device{t: t, addr: addr, start: time.Now().Truncate(time.Second), stop: make(chan struct{}), done: make(chan struct{})}
	go d.run()
	return d
}

// run publishes one number after another, and the same again until it is
// acknowledged, as a device with a memory does.
func (d *device) run() {
	defer close(d.done)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	var client mqtt.Client
	type sent struct {
		n     int
		token mqtt.Token
	}
	var flying []sent
	var again []int
	for n := 0; ; {
		select {
		case <-d.stop:
			for _, s := range flying {
				if s.token.WaitTimeout(2*time.Second) && s.token.Error() == nil {
					d.acked = append(d.acked, s.n)
				}
			}
			return
		case <-tick.C:
		}
		if client == nil || !client.IsConnectionOpen() {
			for _, s := range flying {
				again = append(again, s.n)
			}
			flying = nil
			client = d.connect()
			continue
		}
		for len(flying) > 0 && flying[0].token.WaitTimeout(0) {
			if flying[0].token.Error() == nil {
				d.acked = append(d.acked, flying[0].n)
			} else {
				again = append(again, flying[0].n)
			}
			flying = flying[1:]
		}
		if len(flying) > 100 {
			continue
		}
		number := n
		if len(again) > 0 {
			number, again = again[0], again[1:]
		} else {
			n++
		}
		at := d.start.Add(time.Duration(number) * time.Millisecond)
		payload := fmt.Sprintf(`{"g":%.4f,"ts":%d}`, 1.010+float64(number%100)/1e4, at.UnixMilli())
		flying = append(flying, sent{number, client.Publish("cellar/counter", 1, false, payload)})
	}
}

// connect gives a client, or nil while nobody listens.
func (d *device) connect() mqtt.Client {
	o := mqtt.NewClientOptions().AddBroker("tcp://" + d.addr).SetClientID("device").SetAutoReconnect(false).SetConnectTimeout(time.Second)
	c := mqtt.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(2*time.Second) || token.Error() != nil {
		return nil
	}
	return c
}

func (d *device) finish() []int {
	close(d.stop)
	<-d.done
	return d.acked
}

// TestNoAcknowledgedReadingIsLostToKills kills the daemon again and again in a
// stream of readings, 200 a second: each that was acknowledged is in the journal,
// once.
func TestNoAcknowledgedReadingIsLostToKills(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"mosquitto", "embedded"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			h := newResidence(t)
			h.extra = countingSensor
			addr := h.broker(t, kind)
			p := h.serve(t)
			requireReadyWithin10s(t, p)
			d := startDevice(t, addr)
			for i := range often(t, "EBBLINE_KILLS", 12) {
				time.Sleep(time.Duration(300+i*37%500) * time.Millisecond) // a moment that differs each time
				p.kill()
				p = h.serve(t)
			}
			time.Sleep(time.Second)
			d.requireEachOnce(t, p, h.data)
		})
	}
}

// waitForQuiet waits until no more readings are being written.
func waitForQuiet(t *testing.T, p *process) {
	t.Helper()
	last, since := "", time.Now()
	require.Eventually(t, func() bool {
		now := metric(p, "ebbline_journal_readings")
		if now != last {
			last, since = now, time.Now()
		}
		return now != "" && time.Since(since) > 2*time.Second
	}, time.Minute, 100*time.Millisecond)
}

// requireEachOnce ends device and daemon: every reading that was acknowledged is
// in the journal, once.
func (d *device) requireEachOnce(t *testing.T, p *process, data string) {
	t.Helper()
	acked := d.finish()
	waitForQuiet(t, p)
	p.term()
	j := openJournal(t, data)
	stored := map[int]int{}
	for _, r := range storedGravities(t, j, "counter") {
		n := int(r.Time.Sub(d.start) / time.Millisecond)
		stored[n]++
		require.InDelta(t, 1.010+float64(n%100)/1e4, r.Value, 1e-9, "reading %d", n)
	}
	lost, twice := 0, 0
	for _, n := range acked {
		switch stored[n] {
		case 0:
			lost++
		case 1:
		default:
			twice++
		}
	}
	t.Logf("%d acknowledged, %d lost, %d twice", len(acked), lost, twice)
	require.Greater(t, len(acked), 500, "the stream was too thin to show anything")
	require.Zero(t, lost)
	require.Zero(t, twice)
}

// TestSecondDaemonOnTheSameFolderFails says at once who holds it.
func TestSecondDaemonOnTheSameFolderFails(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	other := &residence{dir: t.TempDir(), data: h.data, page: freeAddress(t), mqtt: freeAddress(t)}
	cmd := program(t, "serve", "--config", other.config(t))
	out, err := cmd.CombinedOutput()
	require.Error(t, err)
	require.Equal(t, exitFailed, cmd.ProcessState.ExitCode(), "%s", out)
	require.Contains(t, string(out), fmt.Sprint(p.cmd.Process.Pid))
	require.Equal(t, 200, p.status("/healthz"))
}

// TestBackupWhileTheDaemonRuns takes a copy and opens it as a record of its own.
func TestBackupWhileTheDaemonRuns(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t, timedBatch(t, captures+"/plain-00"))
	lines := captureLines(t, captures+"/plain-00")[:40]
	publish(t, p.mqtt, "cellar/float-1", timed(t, lines))
	restored := filepath.Join(t.TempDir(), "restored")
	require.NoError(t, os.Mkdir(restored, 0o700))
	copied := filepath.Join(restored, "ebbline.db")
	code, out, stderr := ebbline(t, "", "backup", "--config", h.config(t), copied)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, out, copied)
	code, _, stderr = ebbline(t, "", "backup", "--config", h.config(t), copied)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, copied, "a copy is never overwritten")
	j := openJournal(t, restored)
	require.NoError(t, j.Check(t.Context()))
	require.Len(t, storedGravities(t, j, "float-1"), len(lines))
}

// TestDataIsPrivate wants the folder and files readable by their owner alone.
func TestDataIsPrivate(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.serve(t).term()
	require.NoError(t, filepath.Walk(h.data, func(path string, info os.FileInfo, err error) error {
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077, "%s is %v", path, info.Mode())
		return nil
	}))
}
