package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
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
	count atomic.Int64 // of acked
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
				d.count.Add(1)
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
	// Without a time-out for writing, Publish waits 30 s on a connection that was just lost.
	o := mqtt.NewClientOptions().AddBroker("tcp://" + d.addr).SetClientID("device").SetAutoReconnect(false).SetConnectTimeout(time.Second).SetWriteTimeout(time.Second)
	c := mqtt.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(2*time.Second) || token.Error() != nil {
		return nil
	}
	return c
}

// atLeast waits until so many more are acknowledged.
func (d *device) atLeast(n int64) {
	d.t.Helper()
	n += d.count.Load()
	require.Eventually(d.t, func() bool { return d.count.Load() >= n }, longEnough, 20*time.Millisecond, "the stream is too thin to show anything")
}

func (d *device) finish() []int {
	close(d.stop)
	<-d.done
	return d.acked
}

// death is a point on a reading's way: the entry into a system call, on the files
// of the record or any.
type death struct {
	name, calls string
	record      bool
}

var deaths = []death{
	{"decoded, before it is written", "pwrite64", true},
	{"written, before it is committed", "fdatasync,fsync", true},
	{"committed, before it is acknowledged", "write", false}, // to the network, mostly
}

// killAt kills the daemon at a point, of which the first few are let pass.
func (p *process) killAt(d death, pass int, data string) {
	p.t.Helper()
	var which []string
	if d.record {
		which = recordFiles(data)
	}
	t, ok := p.t.(*testing.T)
	require.True(p.t, ok)
	end, out := tampered(t, p, fmt.Sprintf("%s:signal=KILL:when=%d", d.calls, 1+pass%7), which...)
	died := make(chan error, 1)
	go func() { died <- p.cmd.Wait() }()
	select {
	case err := <-died:
		require.ErrorContains(p.t, err, "signal: killed", d.name)
	case <-time.After(longEnough):
		require.Fail(p.t, "not killed", "%s: %s", d.name, out)
	}
	end()
}

// TestNoAcknowledgedReadingIsLostToKills kills the daemon again and again in a
// stream of readings, 200 a second, by turns at any moment and at a point of a
// reading's way: each that was acknowledged is in the journal, once, and the
// journal is whole.
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
			n, slowest := often(t, "EBBLINE_KILLS", 12), time.Duration(0)
			for i := range n {
				time.Sleep(time.Duration(300+i*37%500) * time.Millisecond) // a moment that differs each time
				if i%2 == 0 {
					p.kill()
				} else {
					p.killAt(deaths[i/2%len(deaths)], i, h.data)
				}
				begun := time.Now()
				p = h.serve(t)
				slowest = max(slowest, time.Since(begun))
			}
			t.Logf("the slowest of %d starts took %v", n, slowest.Round(10*time.Millisecond))
			time.Sleep(time.Second)
			d.requireEachOnce(t, p, h.data)
		})
	}
}

// waitForAll waits until no more readings are being written and at least so many
// values are; after two minutes it gives up, for its caller to say what is missing.
func waitForAll(t *testing.T, p *process, atLeast int) {
	t.Helper()
	last, since := "", time.Now()
	for begun := time.Now(); time.Since(begun) < 2*time.Minute; time.Sleep(100 * time.Millisecond) {
		now := metric(p, "ebbline_journal_readings")
		if now != last {
			last, since = now, time.Now()
		}
		if n, err := strconv.Atoi(now); err == nil && n >= atLeast && time.Since(since) > 2*time.Second {
			return
		}
	}
	t.Logf("%s values after two minutes; %s", last, p.get("/readyz"))
}

// requireEachOnce ends device and daemon: every reading that was acknowledged is
// in the journal, once.
func (d *device) requireEachOnce(t *testing.T, p *process, data string) {
	t.Helper()
	d.atLeast(50) // at the end it flows
	require.Eventually(t, func() bool { return d.count.Load() > 200 }, longEnough, 20*time.Millisecond, "the stream is too thin to show anything")
	acked := d.finish()
	waitForAll(t, p, len(acked))
	p.term()
	j := openJournal(t, data)
	require.NoError(t, j.Check(t.Context()))
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
	require.Zero(t, lost)
	require.Zero(t, twice)
}

// TestSecondDaemonOnTheSameFolderFails says at once who holds it.
func TestSecondDaemonOnTheSameFolderFails(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	other := &residence{dir: t.TempDir(), data: h.data, page: porttest.Address(t), mqtt: porttest.Address(t)}
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
	config := filepath.Join(t.TempDir(), "ebbline.yaml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, "data: %s\n", restored), 0o600))
	for _, file := range []string{config, h.config(t)} { // of the copy, and of a daemon that runs
		code, out, stderr = ebbline(t, "", "check", "--offline", "--data", file)
		require.Equal(t, exitDone, code, stderr)
		require.Regexp(t, fmt.Sprintf(`is sound: %d readings from [-\d]+ to [-\d]+, 1 batch \(1 running\)`, 2*len(lines)), out)
	}
	j := openJournal(t, restored)
	require.NoError(t, j.Check(t.Context()))
	require.Len(t, storedGravities(t, j, "float-1"), len(lines))
	require.NoError(t, j.Close())
	raw, err := os.ReadFile(copied)
	require.NoError(t, err)
	clear(raw[len(raw)/4:][:len(raw)/4]) // a single page may be a free one
	require.NoError(t, os.WriteFile(copied, raw, 0o600))
	code, out, stderr = ebbline(t, "", "check", "--offline", "--data", config)
	require.Equal(t, exitFailed, code, out)
	require.Contains(t, stderr, "is damaged")
	require.Contains(t, stderr, "restore a backup")
}
