package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/alert"
	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
)

// manager is the socket at which a service manager listens.
type manager struct {
	t    *testing.T
	conn *net.UnixConn
	path string
}

func newManager(t *testing.T) *manager {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return &manager{t, conn, path}
}

// hears waits for a datagram with this in it and returns it.
func (m *manager) hears(what string) string {
	m.t.Helper()
	for until := time.Now().Add(longEnough); ; {
		got, ok := m.next(time.Until(until))
		require.True(m.t, ok, "%q is not heard", what)
		if strings.Contains(got, what) {
			return got
		}
	}
}

func (m *manager) next(patience time.Duration) (string, bool) {
	b := make([]byte, 4096)
	require.NoError(m.t, m.conn.SetReadDeadline(time.Now().Add(patience)))
	n, err := m.conn.Read(b)
	return string(b[:n]), err == nil
}

// silent wants no sign of life for ten times as long as they lie apart.
func (m *manager) silent(apart time.Duration) {
	m.t.Helper()
	for until := time.Now().Add(10 * apart); ; {
		got, ok := m.next(time.Until(until))
		if !ok {
			return
		}
		require.NotContains(m.t, got, "WATCHDOG=1")
	}
}

// asked is an environment in which a service manager asks for signs of life.
func asked(socket string, within time.Duration) func(string) (string, bool) {
	env := map[string]string{"NOTIFY_SOCKET": socket, "WATCHDOG_USEC": fmt.Sprint(within.Microseconds())}
	return func(name string) (string, bool) { v, ok := env[name]; return v, ok }
}

// TestTheServiceManagerHearsStartLifeAndEnd runs the real daemon as systemd runs
// it; words and socket are those of sd_notify(3).
func TestTheServiceManagerHearsStartLifeAndEnd(t *testing.T) {
	t.Parallel()
	m, h := newManager(t), newResidence(t)
	cmd := program(t, "serve", "--config", h.config(t))
	cmd.Env = append(cmd.Env, "NOTIFY_SOCKET="+m.path, "WATCHDOG_USEC=400000")
	out := &lockedBuffer{}
	cmd.Stdout, cmd.Stderr = out, out
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() })

	require.Contains(t, m.hears("READY=1"), "STATUS=Page http://"+h.page+", MQTT on "+h.mqtt)
	m.hears("WATCHDOG=1")
	m.hears("WATCHDOG=1")
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	m.hears("STOPPING=1")
	require.NoError(t, cmd.Wait(), "%s", out)
	require.NotContains(t, out.String(), "\x1b", "no colour codes where nobody sees colours")
}

// Law: a loop that really stands still ends the signs of life; one that goes on
// moving does not, whatever a single look found.
func TestAStuckLoopGetsNoSignOfLife(t *testing.T) {
	t.Parallel()
	const apart = 50 * time.Millisecond
	past := time.Now().Add(-time.Minute).UnixMicro()
	for name, c := range map[string]struct {
		halt   func(*daemon) (goOn func())
		before func(*daemon)
		why    string
	}{
		"watches": {
			halt:   func(d *daemon) func() { d.keeper.mu.Lock(); return d.keeper.mu.Unlock },
			before: func(d *daemon) { d.beat.Store(past) },
			why:    "the watches have not moved",
		},
		"ingest": {
			halt: func(d *daemon) func() {
				d.decodeMu.Lock()
				c := connected(t, d.mqttAddr())
				c.Publish("cellar/float-1", 1, false, `{"g":1.0105}`)
				require.Eventually(t, func() bool { return d.pulse.underWay.Load() == 1 }, longEnough, time.Millisecond)
				return d.decodeMu.Unlock
			},
			before: func(d *daemon) { d.pulse.moved.Store(past) },
			why:    "messages are not being stored",
		},
	} {
		t.Run(name, func(t *testing.T) {
			m, d := newManager(t), movingDaemon(t)
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			s := newSupervisor(asked(m.path, 4*apart), slog.New(slog.DiscardHandler))
			go func() { defer close(done); s.vouch(ctx, d.hung) }()
			defer func() { cancel(); <-done }()

			c.before(d)
			m.hears("WATCHDOG=1") // it moves: a single old mark is soon made anew
			goOn := sync.OnceFunc(c.halt(d))
			defer goOn()      // a daemon that stands still cannot be closed
			time.Sleep(apart) // what was under way has made its mark
			c.before(d)
			m.hears("STATUS=Stuck: " + c.why)
			m.silent(apart)
			goOn()
			m.hears("STATUS=Moving again.")
			m.hears("WATCHDOG=1")
		})
	}
}

func TestWithoutAServiceManagerNothingIsTold(t *testing.T) {
	log := slog.New(slog.NewTextHandler(failOnWrite{t}, nil))
	none := func(string) (string, bool) { return "", false }
	s := newSupervisor(none, log)
	s.ready("")
	s.reloading()
	s.vouch(t.Context(), func() string { t.Error("asked for nobody"); return "" })

	m := newManager(t)
	another := func(name string) (string, bool) {
		if name == "WATCHDOG_PID" {
			return fmt.Sprint(os.Getpid() + 1), true
		}
		return asked(m.path, time.Second)(name)
	}
	newSupervisor(another, log).vouch(t.Context(), func() string { t.Error("asked for another process"); return "" })

	s = newSupervisor(asked(m.path, time.Second), log)
	s.reloading()
	require.Regexp(t, `^RELOADING=1\nMONOTONIC_USEC=\d+\n`, m.hears("RELOADING"))
}

type failOnWrite struct{ t *testing.T }

func (f failOnWrite) Write(b []byte) (int, error) {
	f.t.Errorf("logged: %s", b)
	return len(b), nil
}

func TestLinesForSystemdsJournalBeginWithTheirSeverity(t *testing.T) {
	f, err := os.CreateTemp(t.TempDir(), "journal")
	require.NoError(t, err)
	defer f.Close()
	var st syscall.Stat_t
	require.NoError(t, syscall.Fstat(int(f.Fd()), &st))
	lookup := func(string) (string, bool) { return fmt.Sprintf("%d:%d", st.Dev, st.Ino), true }
	log := newLog(f, lookup, slog.LevelInfo)
	log.Info("connected", "broker", "a b")
	log.With("batch", "x").WithGroup("g").Warn("slow", "n", 1)
	log.Error("two\nlines")
	got, err := os.ReadFile(f.Name())
	require.NoError(t, err)
	require.Equal(t, "<6>msg=connected broker=\"a b\"\n<4>msg=slow batch=x g.n=1\n<3>msg=\"two\\nlines\"\n", string(got))

	require.False(t, leadsToJournal(f, func(string) (string, bool) { return "8:12345", true }), "redirected elsewhere")
	require.False(t, leadsToJournal(f, func(string) (string, bool) { return "", false }))
}

func TestVersionSaysFromWhatAndForWhat(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, VersionCmd{}.Run(&out))
	require.Regexp(t, `^ebbline \S+, commit ([0-9a-f]{12}.*|unknown), go1\.\S+, linux/\w+\n$`, out.String())
}

// TestALongRoundCountsAsMoving: a batch run again from pitch on a slow machine
// takes minutes in one round; each of its steps is progress.
func TestALongRoundCountsAsMoving(t *testing.T) {
	d := stillDaemon(t)
	d.beat.Store(time.Now().Add(-time.Minute).UnixMicro())
	require.Contains(t, d.hung(), "the watches have not moved")
	file, err := config.LoadBatch(filepath.Join(captures, "plain-02", "batch.yaml"))
	require.NoError(t, err)
	r := &kept{file: file}
	r.watched, err = restored(file, nil, 0, alert.Options{Location: time.UTC}, nil)
	require.NoError(t, err)
	var inputs []input
	for i := range 3 {
		at := file.Batch.PitchedAt.Add(time.Duration(i) * time.Minute)
		inputs = append(inputs, input{reading: &ingest.Reading{Sensor: "float-1", Quantity: ingest.Gravity, Time: at, Arrived: at, Value: 1.013}})
	}
	steps := 0
	_, _, _, err = r.feed(t.Context(), inputs, func() { steps++; d.keeper.moved() })
	require.NoError(t, err)
	require.Equal(t, 3, steps)
	require.Empty(t, d.hung())
	require.True(t, d.watchHealth().OK)
}
