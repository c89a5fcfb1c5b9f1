package broker

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/deploy/porttest"
	"ebbline/ingest"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// How the kill test tells a second copy of this binary what to be.
const (
	victimKind = "EBBLINE_BROKER_TEST_VICTIM" // subscriber or embedded
	victimAddr = "EBBLINE_BROKER_TEST_ADDR"
	victimFile = "EBBLINE_BROKER_TEST_FILE"
)

// victim is a small daemon that appends every message to a file, synced to disk
// before its handler returns. It runs until it is killed.
func victim(kind string) int {
	file, err := openSynced(os.Getenv(victimFile))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	var s Source
	switch kind {
	case "subscriber":
		s, err = NewSubscriber(SubscriberConfig{URLs: []string{"tcp://" + os.Getenv(victimAddr)}, ClientID: "victim", Filters: []string{"cellar/#"}}, file.handle)
	default:
		s, err = NewEmbedded(EmbeddedConfig{Listen: os.Getenv(victimAddr)}, file.handle)
	}
	if err == nil {
		err = s.Start(context.Background())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	select {}
}

// syncedFile appends lines; add returns when the line is on disk. What waits
// together is synced together, as the journal does.
type syncedFile struct {
	f     *os.File
	lines chan syncedLine
}

type syncedLine struct {
	text string
	done chan error
}

func openSynced(path string) (*syncedFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	if _, err := f.WriteString("\n"); err != nil { // ends a line that a kill cut off
		return nil, err
	}
	s := &syncedFile{f, make(chan syncedLine, 1000)}
	go s.commit()
	return s, nil
}

func (s *syncedFile) commit() {
	for first := range s.lines {
		group := []syncedLine{first}
	gather:
		for len(group) < 500 {
			select {
			case l, open := <-s.lines:
				if !open {
					break gather
				}
				group = append(group, l)
			default:
				break gather
			}
		}
		var text strings.Builder
		for _, l := range group {
			text.WriteString(l.text + "\n")
		}
		_, err := s.f.WriteString(text.String())
		if err == nil {
			err = s.f.Sync()
		}
		for _, l := range group {
			l.done <- err
		}
	}
}

// handle queues in order and settles when the line is on disk, as the daemon does.
func (s *syncedFile) handle(_ context.Context, m ingest.Message) (Settle, error) {
	done := make(chan error, 1)
	s.lines <- syncedLine{string(m.Payload), done}
	return func(ctx context.Context) error {
		select {
		case err := <-done:
			return err
		default:
		}
		select {
		case err := <-done:
			return err
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}, nil
}

func (s *syncedFile) close() {
	close(s.lines)
	_ = s.f.Close()
}

// A daemon killed ten times in a stream of 200 QoS 1 messages a second has on
// disk every message that its sender was told is safe.
func TestNothingAcknowledgedIsLostByKilling(t *testing.T) {
	for _, kind := range []string{"subscriber", "embedded"} {
		t.Run(kind, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "stored")
			addr := fmt.Sprintf("127.0.0.1:%d", porttest.Free(t))
			if kind == "subscriber" {
				addr = startMosquitto(t).addr()
			}
			v := &victimProcess{t: t, kind: kind, addr: addr, file: file}
			v.start()
			t.Cleanup(v.kill)
			waitListening(t, addr)
			// The subscription has to stand before anything is published.
			line := startProxy(t, addr)
			d := device(t, line.addr(), "publisher")
			require.Eventually(t, func() bool {
				send(t, d, "cellar/probe", 1, false, "probe")
				return storedLines(t, file)["probe"]
			}, patience, 50*time.Millisecond)

			stream(t, d, func() {
				for i := range 10 {
					before := len(storedLines(t, file))
					require.Eventually(t, func() bool { return len(storedLines(t, file)) > before+20+10*i }, patience, tick)
					v.kill()
					v.start()
				}
			})
			require.Greater(t, len(line.acknowledged()), 200)
			missing := func() (n int) {
				acknowledged := line.acknowledged() // first: more may be meanwhile
				have := storedLines(t, file)
				for _, p := range acknowledged {
					if !have[p] {
						n++
					}
				}
				return n
			}
			// What mosquitto acknowledged may still be on its way; what the embedded
			// broker acknowledged is on disk by then.
			if kind == "embedded" {
				require.Zero(t, missing())
			}
			require.Eventually(t, func() bool { return missing() == 0 }, patience, 50*time.Millisecond)
			t.Logf("%d acknowledged, none lost", len(line.acknowledged()))
		})
	}
}

// stream publishes 200 messages a second while during runs.
func stream(t *testing.T, d mqtt.Client, during func()) {
	t.Helper()
	stop := make(chan struct{})
	var publishing sync.WaitGroup
	publishing.Go(func() {
		every := time.NewTicker(time.Second / 200)
		defer every.Stop()
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-every.C:
				d.Publish("cellar/float-1", 1, false, fmt.Sprintf("m%d", i))
			}
		}
	})
	during()
	close(stop)
	publishing.Wait()
}

type victimProcess struct {
	t                *testing.T
	kind, addr, file string
	cmd              *exec.Cmd
}

func (v *victimProcess) start() {
	v.t.Helper()
	self, err := os.Executable()
	require.NoError(v.t, err)
	v.cmd = exec.Command(self)
	v.cmd.Env = append(os.Environ(), victimKind+"="+v.kind, victimAddr+"="+v.addr, victimFile+"="+v.file)
	v.cmd.Stderr = v.t.Output()
	require.NoError(v.t, v.cmd.Start())
}

func (v *victimProcess) kill() {
	if v.cmd == nil {
		return
	}
	require.NoError(v.t, v.cmd.Process.Kill())
	_ = v.cmd.Wait()
	v.cmd = nil
}

func storedLines(t *testing.T, file string) map[string]bool {
	t.Helper()
	lines := map[string]bool{}
	f, err := os.Open(file)
	if os.IsNotExist(err) {
		return lines
	}
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	for in := bufio.NewScanner(f); in.Scan(); {
		lines[in.Text()] = true
	}
	return lines
}
