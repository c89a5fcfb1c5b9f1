package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
	"ebbline/deploy/quicktest"
)

// asProgram makes this test binary the program itself, so that the tests can
// start, stop and kill real processes built as the tests are, race detector
// included.
const asProgram = "EBBLINE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	flag.Parse()
	// Most of these tests wait for processes, so more of them may run at once
	// than there are processors, unless somebody says how many.
	if parallel := flag.Lookup("test.parallel"); parallel.Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) {
		_ = parallel.Value.Set(strconv.Itoa(3 * runtime.GOMAXPROCS(0)))
	}
	code := quicktest.Main(m)
	_ = os.RemoveAll(quickDir)
	os.Exit(code)
}

// quickDir holds what quickProgram built; empty if nobody asked for it.
var quickDir string

// quickProgram is the program built without the race detector, which makes the
// estimator ten times slower and has nothing to find in its arithmetic.
var quickProgram = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "ebbline-quick-")
	if err != nil {
		return "", err
	}
	quickDir = dir
	exe := filepath.Join(dir, "ebbline")
	if out, err := exec.Command("go", "build", "-o", exe, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %w: %s", err, out)
	}
	return exe, nil
})

// quickly is a command that runs ebbline, built without the race detector, with
// these arguments.
func quickly(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := quickProgram()
	require.NoError(t, err)
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), "TZ=UTC")
	return cmd
}

// often is how often a test does what it is about: few unless the environment
// says more, as deploy/soak.sh does.
func often(t testing.TB, variable string, few int) int {
	t.Helper()
	want := os.Getenv(variable)
	if want == "" {
		return few
	}
	n, err := strconv.Atoi(want)
	require.NoError(t, err, "%s must be a number", variable)
	return n
}

// process is a running `ebbline serve`.
type process struct {
	t      testing.TB
	cmd    *exec.Cmd
	stderr *lockedBuffer
	page   string
	mqtt   string
}

// lockedBuffer keeps what a process prints.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// residence is the configuration of a daemon under test.
type residence struct {
	dir, data, page, mqtt string
	url                   string // of an external broker
	extra                 string // further YAML
	mqttExtra             string // further keys of the embedded broker, each after a comma
	quick                 bool   // built without the race detector
	environment           []string
	group                 string // folder of the control group that the daemon starts in
}

func newResidence(t testing.TB) *residence {
	t.Helper()
	dir := t.TempDir()
	return &residence{dir: dir, data: filepath.Join(dir, "data"), page: porttest.Address(t), mqtt: porttest.Address(t)}
}

func (h *residence) config(t testing.TB) string {
	t.Helper()
	mqtt := fmt.Sprintf("{listen: %q%s}", h.mqtt, h.mqttExtra)
	if h.url != "" {
		mqtt = fmt.Sprintf("{url: %q}", h.url)
	}
	path := filepath.Join(h.dir, "ebbline.yaml")
	text := fmt.Sprintf("data: %s\nmqtt: %s\npage: {listen: %q}\n%s", h.data, mqtt, h.page, h.extra)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// serve starts the daemon and waits until it is alive.
func (h *residence) serve(t testing.TB, batches ...string) *process {
	t.Helper()
	return h.serveFile(t, h.config(t), batches...)
}

// serveFile is serve with a configuration at hand.
func (h *residence) serveFile(t testing.TB, file string, batches ...string) *process {
	t.Helper()
	args := []string{"serve", "--config", file}
	for _, b := range batches {
		args = append(args, "--batch", b)
	}
	run := program
	if h.quick {
		run = quickly
	}
	p := &process{t: t, cmd: run(t, args...), stderr: &lockedBuffer{}, page: "http://" + h.page, mqtt: h.mqtt}
	p.cmd.Env = append(p.cmd.Env, h.environment...)
	if h.group != "" {
		p.cmd.Args = append([]string{"sh", "-c", `echo $$ >"$0/cgroup.procs" && exec "$@"`, h.group, p.cmd.Path}, p.cmd.Args[1:]...)
		p.cmd.Path = "/bin/sh"
	}
	p.cmd.Stdout, p.cmd.Stderr = p.stderr, p.stderr
	require.NoError(t, p.cmd.Start())
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			t.Logf("the daemon printed:\n%s", tail(p.stderr.String(), 6000))
		}
	})
	require.Eventually(t, func() bool { return p.status("/healthz") == http.StatusOK }, longEnough, 20*time.Millisecond, "the daemon does not come up:\n%s", p.stderr)
	return p
}

func tail(s string, n int) string {
	if len(s) > n {
		return "…" + s[len(s)-n:]
	}
	return s
}

// program is a command that runs ebbline with these arguments.
func program(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), asProgram+"=1", "TZ=UTC")
	return cmd
}

// status is the HTTP status of a path, 0 if nobody answers.
func (p *process) status(path string) int {
	code, _ := p.fetch(path)
	return code
}

// get is the body of a path, empty if nobody answers.
func (p *process) get(path string) string {
	_, body := p.fetch(path)
	return body
}

func (p *process) fetch(path string) (int, string) {
	resp, err := http.Get(p.page + path)
	if err != nil {
		return 0, ""
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(body)
}

func (p *process) kill() {
	if p.cmd.ProcessState == nil && p.cmd.Process != nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
	}
}

// term asks the daemon to stop and requires that it does, with status 0.
func (p *process) term() {
	p.t.Helper()
	require.NoError(p.t, p.cmd.Process.Signal(syscall.SIGTERM))
	done := make(chan error, 1)
	go func() { done <- p.cmd.Wait() }()
	select {
	case err := <-done:
		require.NoError(p.t, err, "the daemon printed:\n%s", p.stderr)
	case <-time.After(longEnough):
		p.t.Fatalf("the daemon does not stop:\n%s", p.stderr)
	}
}

// longEnough is how long a test waits for what must happen. It is no measure:
// nothing fails for being slow until then.
const longEnough = 5 * time.Minute

// ebbline runs a command to its end.
func ebbline(t testing.TB, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(args, strings.NewReader(stdin), &out, &errs)
	return code, out.String(), errs.String()
}

// standsStill waits until something has not been counted any more for a while, which what
// is on its way may put off, and returns the number.
func standsStill(t testing.TB, still time.Duration, count func() int, why string) int {
	t.Helper()
	begun, since, last := time.Now(), time.Now(), count()
	for time.Since(since) < still {
		require.Less(t, time.Since(begun), longEnough, "it goes on: %s", why)
		time.Sleep(20 * time.Millisecond)
		if n := count(); n != last {
			since, last = time.Now(), n
		}
	}
	return last
}
