package main

import (
	"bytes"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

const (
	switchTopic   = "cellar/cooler/set"
	coolOnCommand = "on_crash_now: [{sensor: float-1, topic: " + switchTopic + ", payload: \"on\"}]\n"
)

// wideSensor listens to everything, our own messages too.
const wideSensor = `sensors:
  - {name: all, topic: "#", readings: [{quantity: gravity, pointer: /gravity, unit: sg}]}
  - {name: bare, topic: "cellar/+/set", readings: [{quantity: temperature, pointer: "", unit: Cel}]}
`

// TestCrashNowSwitchesTheCooler goes the whole way with real processes: a crash
// falls due, the command goes out once over all restarts, the retained state says
// what the phone says, the beer cools, and the crash is entered as started.
func TestCrashNowSwitchesTheCooler(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"mosquitto", "embedded"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			d := dueBatch(t, time.Hour)
			h := newResidence(t)
			s := newSink(t)
			h.extra = coolOnCommand + wideSensor + "notify: [{webhook: " + s.URL + "/hook}]\n"
			addr := h.broker(t, kind)
			p := h.serve(t, d.batch)
			requireReadyWithin10s(t, p)
			l := listenTo(t, addr, switchTopic)
			publish(t, addr, "cellar/float-1", d.lines)
			require.Eventually(t, func() bool { return len(l.on(switchTopic)) > 0 }, longEnough, 20*time.Millisecond, "no command")
			require.Equal(t, "on", string(l.on(switchTopic)[0].Payload()))
			require.False(t, l.on(switchTopic)[0].Retained())
			require.Eventually(t, func() bool { return len(s.of("crash-now")) > 0 }, longEnough, 20*time.Millisecond, "the phone rings all the same")

			require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/batches/"+d.id), "The command was sent to") }, longEnough, 20*time.Millisecond, "the page does not tell")
			for range 3 { // a command is not sent again by a daemon that was killed
				p.kill()
				p = h.serve(t)
				requireReadyWithin10s(t, p)
				time.Sleep(1500 * time.Millisecond)
			}
			st := awaitState(t, addr, d.id, longEnough, func(st stateDoc) bool {
				return len(st.Alerts) > 0 && strings.Contains(st.Sentence, "The command was sent to")
			})
			require.Equal(t, 1, st.Version)
			require.Equal(t, "fermenting", st.Stage)
			require.Contains(t, st.Alerts, "crash-now")
			require.Contains(t, st.Sentence, "Start the crash now")
			require.Contains(t, st.Sentence, "The command was sent to "+switchTopic)
			require.NotNil(t, st.Crosses)
			require.InDelta(t, 0.4, *st.ABV, 0.4)
			require.Positive(t, *st.ABVSD)
			require.InDelta(t, 20, *st.Temperature, 3)
			require.WithinDuration(t, time.Now(), st.Time, time.Hour)

			temperatures(t, addr, 17, 16, 15)
			require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/batches/"+d.id), `"crash_started":"`) }, longEnough, 50*time.Millisecond, "the crash is not entered")
			require.Eventually(t, func() bool { return !strings.Contains(p.get("/api/v1/batches/"+d.id), "Start the crash now") }, longEnough, 50*time.Millisecond, "the sentence stays")
			p.term()
			p = h.serve(t) // a new connection tells everything anew, within the minute too
			st = awaitState(t, addr, d.id, longEnough, func(st stateDoc) bool { return st.Stage == "cooling" })
			require.NotContains(t, st.Alerts, "crash-now")
			require.Len(t, l.on(switchTopic), 1, "once")
			p.term()
			j := openJournal(t, h.data)
			requireNothingReadBack(t, j)
			entries, err := j.Entries(t.Context(), d.id)
			require.NoError(t, err)
			kinds := map[journal.EntryKind]int{}
			for _, e := range entries {
				kinds[e.Kind]++
			}
			require.Equal(t, 1, kinds[journal.CrashStarted])
			require.Equal(t, 1, kinds[journal.NoteEntry])
		})
	}
}

// requireNothingReadBack wants no reading and no refusal of our own topics.
func requireNothingReadBack(t *testing.T, j *journal.Journal) {
	t.Helper()
	seen, err := j.Seen(t.Context())
	require.NoError(t, err)
	for _, s := range seen {
		require.False(t, strings.Contains(s.Sensor, "ebbline/") || strings.Contains(s.Sensor, "cooler"), "read back: %+v", s)
	}
	refused, err := j.Refusals(t.Context())
	require.NoError(t, err)
	for _, r := range refused {
		require.NotContains(t, r.Topic, "ebbline/")
		require.NotEqual(t, switchTopic, r.Topic)
	}
}

// TestKilledWhileTheCommandLeaves kills the daemon while its command is on the
// way to a real broker: never sent twice, and the phone hears that nobody knows.
func TestKilledWhileTheCommandLeaves(t *testing.T) {
	t.Parallel()
	for point, arrived := range map[string]int{"before it arrives": 0, "before it is acknowledged": 1} {
		t.Run(point, func(t *testing.T) {
			t.Parallel()
			d := dueBatch(t, time.Hour)
			h := newResidence(t)
			s := newSink(t)
			h.extra = coolOnCommand + "notify: [{webhook: " + s.URL + "/hook}]\n"
			m := newMosquitto(t)
			m.start()
			g := newGate(t, m.addr, []byte(switchTopic))
			h.url = "tcp://" + g.addr
			p := h.serve(t, d.batch)
			requireReadyWithin10s(t, p)
			l := listenTo(t, m.addr, switchTopic)
			publish(t, m.addr, "cellar/float-1", d.lines)
			var command []byte
			select {
			case command = <-g.held:
			case <-time.After(longEnough):
				t.Fatal("no command was sent")
			}
			if arrived > 0 {
				g.pass(command)
				require.Eventually(t, func() bool { return len(l.on(switchTopic)) == 1 }, longEnough, 10*time.Millisecond)
			}
			p.kill()
			g.open()
			p = h.serve(t)
			requireReadyWithin10s(t, p)
			require.Eventually(t, func() bool { return len(s.of("not-cooling")) > 0 }, longEnough, 20*time.Millisecond, "the phone must be told")
			word := s.of("not-cooling")[0].Body
			require.Equal(t, "urgent", word["severity"])
			require.Contains(t, word["message"], "is not known")
			require.Contains(t, p.get("/api/v1/health"), "never sent twice")
			p.kill()
			p = h.serve(t)
			requireReadyWithin10s(t, p)
			time.Sleep(3 * time.Second)
			require.Len(t, l.on(switchTopic), arrived)
			told := s.of("not-cooling")
			require.LessOrEqual(t, len(told), 2, "told once, or doubled by the kill")
			require.Equal(t, word["id"], told[len(told)-1].Body["id"])
		})
	}
}

// gate is a TCP proxy that holds back, both ways, from the first piece that a
// client sends with a mark in it.
type gate struct {
	addr, target string
	mark         []byte
	held         chan []byte

	mu     sync.Mutex
	opened bool
	broker net.Conn // of the connection that is held
}

func newGate(t *testing.T, target string, mark []byte) *gate {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	g := &gate{addr: l.Addr().String(), target: target, mark: mark, held: make(chan []byte, 1)}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", target)
			if err != nil {
				c.Close()
				continue
			}
			go g.pipe(c, b, true)
			go g.pipe(b, c, false)
		}
	}()
	return g
}

func (g *gate) pipe(from, to net.Conn, up bool) {
	defer from.Close()
	defer to.Close()
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		if up && bytes.Contains(buf[:n], g.mark) && g.hold(to, buf[:n]) {
			_, _ = io.Copy(io.Discard, from)
			return
		}
		if !up && g.holds(from) {
			continue
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

func (g *gate) hold(broker net.Conn, piece []byte) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.opened || g.broker != nil {
		return false
	}
	g.broker = broker
	g.held <- bytes.Clone(piece)
	return true
}

func (g *gate) holds(broker net.Conn) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.broker == broker
}

// pass lets what is held back through to the broker; its answer stays held.
func (g *gate) pass(piece []byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	_, _ = g.broker.Write(piece)
}

// open lets every new connection through.
func (g *gate) open() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.opened = true
}
