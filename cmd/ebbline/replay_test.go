package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/quicktest"
)

const captures = "../../testdata/captures"

func captureFolders(t *testing.T) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(captures, "*", "batch.yaml"))
	require.NoError(t, err)
	require.Len(t, names, 84)
	for i, n := range names {
		names[i] = filepath.Dir(n)
	}
	return names
}

// outputLine is what the contract says of every line of replay.
type outputLine struct {
	Type        string    `json:"type"`
	Time        time.Time `json:"time"`
	Gravity     *float64  `json:"gravity"`
	GravitySD   *float64  `json:"gravity_sd"`
	ABV         *float64  `json:"abv"`
	ABVSD       *float64  `json:"abv_sd"`
	Temperature *float64  `json:"temperature"`
	Crosses     *struct {
		Probability   *float64   `json:"probability"`
		P10, P50, P90 *time.Time `json:"-"`
	} `json:"crosses"`
	ABVIfLeft       map[string]float64 `json:"abv_if_left"`
	ABVIfCrashedNow map[string]float64 `json:"abv_if_crashed_now"`
	Kind            string             `json:"kind"`
	Severity        string             `json:"severity"`
	Message         string             `json:"message"`
	Topic           string             `json:"topic"`
	Reason          string             `json:"reason"`
}

// TestReplayKeepsTheContract runs every sixth capture, two of each kind (all 84 go
// the same way by judge): contract-true, and two of them byte for byte the same a
// second time; alert's golden files hold the others to that.
func TestReplayKeepsTheContract(t *testing.T) {
	t.Parallel()
	exe, err := quickProgram()
	require.NoError(t, err)
	sem := make(chan struct{}, 2)
	var wg sync.WaitGroup
	for i, dir := range captureFolders(t) {
		if i%6 != 0 {
			continue
		}
		wg.Add(1)
		sem <- struct{}{}
		go func() {
			defer func() { <-sem; wg.Done() }()
			args := []string{"replay", "--every", "1h", "--batch", filepath.Join(dir, "batch.yaml"), filepath.Join(dir, "capture.jsonl.gz")}
			first, err := exec.Command(exe, args...).Output()
			if err != nil {
				t.Errorf("%s: %v", dir, err)
				return
			}
			if name := filepath.Base(dir); name == "plain-00" || name == "faults-00" {
				second, err := exec.Command(exe, args...).Output()
				if err != nil || !bytes.Equal(first, second) {
					t.Errorf("%s: a second run differs: %v", dir, err)
				}
			}
			checkOutput(t, dir, string(first))
		}()
	}
	wg.Wait()
}

func checkOutput(t *testing.T, dir, out string) {
	t.Helper()
	var last time.Time
	count := map[string]int{}
	for n, text := range strings.Split(strings.TrimSpace(out), "\n") {
		var l outputLine
		if err := json.Unmarshal([]byte(text), &l); err != nil {
			t.Errorf("%s:%d: %v", dir, n+1, err)
			return
		}
		if l.Time.Before(last) {
			t.Errorf("%s:%d: time goes back", dir, n+1)
		}
		last = l.Time
		count[l.Type]++
		switch l.Type {
		case "estimate":
			if l.Gravity == nil || l.GravitySD == nil || l.ABV == nil || l.ABVSD == nil || !strings.Contains(text, `"temperature":`) {
				t.Errorf("%s:%d: estimate lacks a field: %s", dir, n+1, text)
			} else if *l.Gravity < 0.98 || *l.Gravity > 1.2 || *l.GravitySD <= 0 || *l.ABVSD < 0 || strings.Contains(text, ":-0,") {
				t.Errorf("%s:%d: impossible estimate: %s", dir, n+1, text)
			}
		case "projection":
			checkProjection(t, dir, n+1, text)
		case "alert":
			if l.Kind == "" || l.Message == "" || !strings.Contains("info warning urgent", l.Severity) {
				t.Errorf("%s:%d: alert lacks a field: %s", dir, n+1, text)
			}
		case "rejected":
			if l.Topic == "" || l.Reason == "" {
				t.Errorf("%s:%d: rejected lacks a field: %s", dir, n+1, text)
			}
		default:
			t.Errorf("%s:%d: unknown type %q", dir, n+1, l.Type)
		}
	}
	if count["estimate"] < 200 || count["projection"] < 200 {
		t.Errorf("%s: %v: an estimate and a projection an hour are due over ten days", dir, count)
	}
}

// checkProjection wants every key of the contract, and quantiles in order.
func checkProjection(t *testing.T, dir string, n int, text string) {
	t.Helper()
	var p map[string]json.RawMessage
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		t.Errorf("%s:%d: %v", dir, n, err)
		return
	}
	for _, key := range []string{"crosses", "crash_by", "abv_if_left", "abv_if_crashed_now"} {
		if _, ok := p[key]; !ok {
			t.Errorf("%s:%d: projection lacks %s", dir, n, key)
		}
	}
	var crosses struct {
		Probability   float64
		P10, P50, P90 *time.Time
	}
	if err := json.Unmarshal(p["crosses"], &crosses); err != nil || crosses.Probability < 0 || crosses.Probability > 1 {
		t.Errorf("%s:%d: crosses: %v: %s", dir, n, err, p["crosses"])
	}
	if crosses.P10 != nil && crosses.P50 != nil && crosses.P50.Before(*crosses.P10) {
		t.Errorf("%s:%d: quantiles out of order: %s", dir, n, text)
	}
	for _, key := range []string{"abv_if_left", "abv_if_crashed_now"} {
		var q struct{ P10, P50, P90 float64 }
		if err := json.Unmarshal(p[key], &q); err != nil || q.P10 > q.P50 || q.P50 > q.P90 || q.P10 < 0 {
			t.Errorf("%s:%d: %s: %v: %s", dir, n, key, err, p[key])
		}
	}
}

// captureLines reads a capture's lines.
func captureLines(t testing.TB, dir string) []captureLine {
	t.Helper()
	var lines []captureLine
	s := bufio.NewScanner(bytes.NewReader(unpacked(t, filepath.Join(dir, "capture.jsonl.gz"))))
	for s.Scan() {
		var l captureLine
		require.NoError(t, json.Unmarshal(s.Bytes(), &l))
		lines = append(lines, l)
	}
	require.NoError(t, s.Err())
	return lines
}

func TestReplayRefusesBadCaptures(t *testing.T) {
	batch := filepath.Join(captures, "plain-00", "batch.yaml")
	for name, c := range map[string]struct{ in, says string }{
		"not JSON":   {"{\"time\": \n", "standard input:1:"},
		"no time":    {`{"topic":"a","payload":1}`, "standard input:1:1: a capture line needs time"},
		"no topic":   {`{"time":"2026-03-02T18:00:00Z","payload":1}`, "needs time (RFC 3339) and topic"},
		"wrong time": {`{"time":"yesterday","topic":"a","payload":1}`, "standard input:1:"},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, stderr := ebbline(t, c.in, "replay", "--batch", batch, "-")
			require.Equal(t, exitFailed, code)
			require.Contains(t, stderr, c.says)
			require.Equal(t, 1, strings.Count(stderr, "\n"), "one line: %q", stderr)
		})
	}
	code, _, stderr := ebbline(t, "", "replay", "--batch", "no-such-file.yaml", "-")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "no-such-file.yaml")
}

// TestReplayCountsRefusedMessagesAndItsNeighboursLive puts bad messages between
// good ones: each is named, and the belief goes on.
func TestReplayCountsRefusedMessagesAndItsNeighboursLive(t *testing.T) {
	t.Parallel()
	if quicktest.Ran(t) {
		return
	}
	dir := filepath.Join(captures, "plain-00")
	var in strings.Builder
	bad := []string{`"{broken"`, `{"g":null,"t":20}`, `{"g":"1.012","t":20}`, `{"g":1500,"t":20}`, `{"g":1.012,"t":-127}`, `{}`}
	for i, l := range captureLines(t, dir)[:200] {
		b, err := json.Marshal(l)
		require.NoError(t, err)
		in.Write(append(b, '\n'))
		if i < len(bad) {
			in.WriteString(`{"time":"` + l.Time.Add(time.Minute).Format(time.RFC3339) + `","topic":"cellar/float-1","payload":` + bad[i] + "}\n")
		}
		if i == 10 {
			in.WriteString(`{"time":"` + l.Time.Add(time.Minute).Format(time.RFC3339) + `","topic":"elsewhere","payload":1}` + "\n")
		}
	}
	code, out, stderr := ebbline(t, in.String(), "replay", "--batch", filepath.Join(dir, "batch.yaml"), "-")
	require.Equal(t, 0, code, stderr)
	reasons := map[string]int{}
	estimates := 0
	for _, text := range strings.Split(strings.TrimSpace(out), "\n") {
		var l outputLine
		require.NoError(t, json.Unmarshal([]byte(text), &l))
		if l.Type == "rejected" {
			reasons[l.Reason]++
		}
		if l.Type == "estimate" {
			estimates++
		}
	}
	require.GreaterOrEqual(t, len(reasons), 5, "%v", reasons)
	require.GreaterOrEqual(t, estimates, 190)
}
