package main

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestStopsInTimeUnderLoad asks the daemon to stop again and again in a stream of
// 200 readings a second: status 0, in time, and nothing acknowledged is lost.
func TestStopsInTimeUnderLoad(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.extra = countingSensor
	p := h.serve(t)
	d := startDevice(t, p.mqtt)
	longest, stops := time.Duration(0), often(t, "EBBLINE_STOPS", 5)
	for i := range stops {
		time.Sleep(time.Duration(300+i*37%500) * time.Millisecond)
		begun := time.Now()
		p.term() // requires status 0
		longest = max(longest, time.Since(begun))
		p = h.serve(t)
	}
	time.Sleep(time.Second)
	d.requireEachOnce(t, p, h.data)
	t.Logf("%d stops, the longest took %v of the 5 s promised", stops, longest.Round(time.Millisecond))
	require.Less(t, longest, 30*time.Second, "six times the promise, so that a slow machine does not fail a healthy daemon")
}

// TestOutOfFileDescriptors lets the daemon have no file descriptor left: what is
// connected goes on, and all is well again when there are some.
func TestOutOfFileDescriptors(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	h.extra = countingSensor
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	d := startDevice(t, p.mqtt)
	time.Sleep(500 * time.Millisecond)
	pid := p.cmd.Process.Pid
	open, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	require.NoError(t, err)
	limit := func(n string) {
		out, err := exec.Command("prlimit", fmt.Sprintf("--pid=%d", pid), "--nofile="+n+":").CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	limit(fmt.Sprint(len(open) / 2)) // the first are those that stay; of the last one may be closed just now
	anew := http.Client{Timeout: time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	_, err = anew.Get(p.page + "/healthz")
	require.Error(t, err, "a new connection must find no descriptor, or this shows nothing")
	time.Sleep(2 * time.Second)
	limit("1024")
	requireReadyWithin10s(t, p)
	require.Contains(t, p.stderr.String(), "too many open files")
	d.requireEachOnce(t, p, h.data)
}

// TestSixtyFourMegabytes runs a batch, a stream of readings and logins, two at a time, with the
// memory that a small machine has to spare: GOMEMLIMIT, as a service manager sets it, or the
// control group EBBLINE_MEMORY_GROUP, made by deploy/soak.sh, where the kernel kills who takes more.
func TestSixtyFourMegabytes(t *testing.T) {
	t.Parallel()
	d := dueBatch(t, time.Hour)
	h := newResidence(t)
	h.quick = true // the race detector takes memory of its own
	if h.group = os.Getenv("EBBLINE_MEMORY_GROUP"); h.group == "" {
		h.environment = []string{"GOMEMLIMIT=64MiB"}
	}
	h.extra = countingSensor
	p := h.serve(t, d.batch)
	requireReadyWithin10s(t, p)
	stream := startDevice(t, p.mqtt)
	publish(t, p.mqtt, "cellar/float-1", d.lines)
	require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/alerts"), "crash-now") }, longEnough, 50*time.Millisecond)
	password := firstPassword(t, p)
	stay := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	var logins sync.WaitGroup
	for range 2 {
		logins.Go(func() {
			for range 2 { // a sixth from one address would have to wait
				resp, err := stay.PostForm(p.page+"/login", url.Values{"password": {password}})
				if assert.NoError(t, err) {
					_ = resp.Body.Close()
					assert.Equal(t, http.StatusSeeOther, resp.StatusCode)
				}
			}
		})
	}
	logins.Wait()
	time.Sleep(2 * time.Second)
	most := residentMost(t, p)
	stream.requireEachOnce(t, p, h.data)
	t.Logf("at most %d MB resident", most/1e6)
	if h.group != "" {
		requireNobodyKilled(t, h.group)
		return // what is resident and what counts in a group are not the same
	}
	require.Less(t, most, 96_000_000, "64 MB of Go's and the program itself")
}

// requireNobodyKilled asks the group, of either version, for its limit and its dead.
func requireNobodyKilled(t *testing.T, group string) {
	t.Helper()
	limit, errTwo := os.ReadFile(filepath.Join(group, "memory.max"))
	file, most := "memory.events", "memory.peak"
	if errTwo != nil {
		var err error
		limit, err = os.ReadFile(filepath.Join(group, "memory.limit_in_bytes"))
		require.NoError(t, err)
		file, most = "memory.oom_control", "memory.max_usage_in_bytes"
	}
	require.Equal(t, fmt.Sprint(64<<20), strings.TrimSpace(string(limit)))
	events, err := os.ReadFile(filepath.Join(group, file))
	require.NoError(t, err)
	used, _ := os.ReadFile(filepath.Join(group, most)) // older kernels keep none
	t.Logf("%s bytes at most, cache and all; %s", bytes.TrimSpace(used), strings.ReplaceAll(string(events), "\n", ", "))
	require.Regexp(t, `(?m)^oom_kill 0$`, string(events))
}

// residentMost is the most memory that a process has had resident, in bytes.
func residentMost(t *testing.T, p *process) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("/proc", fmt.Sprint(p.cmd.Process.Pid), "status"))
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(text), "VmHWM:")
	require.True(t, ok)
	var kb int
	_, err = fmt.Sscan(rest, &kb)
	require.NoError(t, err)
	return kb * 1024
}
