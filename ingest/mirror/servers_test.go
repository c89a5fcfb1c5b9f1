package mirror_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/mirror"
)

// patience is far beyond what any of this takes.
const patience = 2 * time.Minute

// server is a real time series database of the test's own, on loopback.
type server struct {
	addr  string
	dir   string
	start func(s *server) *exec.Cmd
	ready string // path that answers 2xx
	setUp func(t *testing.T, s *server)
	// read gives the points of one field, by the values of the tags named.
	read func(t *testing.T, s *server, measurement, field string, tags ...string) map[string][]point
	// dies is how it ends in the middle of a test. InfluxDB keeps what it has
	// accepted through a kill; VictoriaMetrics loses its last seconds, which no
	// client can help, so it is asked to end.
	dies os.Signal
	cmd  *exec.Cmd
	said bytes.Buffer
}

type point struct {
	millis int64
	value  float64
}

func (s *server) url() string { return "http://" + s.addr }

func (s *server) config() mirror.Config {
	return mirror.Config{URL: s.url(), Org: "cellar", Bucket: "beer", Token: "aging-hops", Chunk: 100, RetryFirst: 20 * time.Millisecond, RetryMost: 200 * time.Millisecond}
}

// run starts the server on a free port, or again on the one it had.
func run(t *testing.T, s *server) {
	t.Helper()
	s.dir = t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.addr = l.Addr().String()
	require.NoError(t, l.Close())
	t.Cleanup(func() {
		s.kill(t)
		if t.Failed() {
			t.Log(s.said.String())
		}
	})
	s.again(t)
	s.setUp(t, s)
}

func (s *server) again(t *testing.T) {
	t.Helper()
	s.cmd = s.start(s)
	s.cmd.Stdout, s.cmd.Stderr = &s.said, &s.said
	require.NoError(t, s.cmd.Start())
	require.Eventually(t, func() bool {
		answer, err := http.Get(s.url() + s.ready)
		if err != nil {
			return false
		}
		_ = answer.Body.Close()
		return answer.StatusCode/100 == 2
	}, patience, 20*time.Millisecond, "the server answers")
}

func (s *server) stop(t *testing.T) {
	t.Helper()
	require.NoError(t, s.cmd.Process.Signal(s.dies))
	_ = s.cmd.Wait() // its status says nothing
	s.cmd = nil
}

func (s *server) kill(t *testing.T) {
	t.Helper()
	if s.cmd != nil {
		require.NoError(t, s.cmd.Process.Kill())
		_ = s.cmd.Wait() // "signal: killed"
		s.cmd = nil
	}
}

// binary finds a program that deploy/test.sh installs.
func binary(t *testing.T, env, name string, places ...string) string {
	t.Helper()
	if path := os.Getenv(env); path != "" {
		return path
	}
	for _, place := range append(places, name) {
		if path, err := exec.LookPath(place); err == nil {
			return path
		}
	}
	t.Fatalf("%s is not here: run deploy/test.sh, which installs what the tests need (or name its path in %s)", name, env)
	return ""
}

func victoriaMetrics(t *testing.T) *server {
	path := binary(t, "EBBLINE_VICTORIA_METRICS", "victoria-metrics")
	return &server{
		ready: "/health",
		dies:  os.Interrupt,
		start: func(s *server) *exec.Cmd {
			return exec.Command(path, "-storageDataPath="+s.dir, "-httpListenAddr="+s.addr, "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms")
		},
		setUp: func(*testing.T, *server) {},
		read:  readVictoria,
	}
}

// readVictoria exports a metric; each field of a measurement is one.
func readVictoria(t *testing.T, s *server, measurement, field string, tags ...string) map[string][]point {
	get(t, s.url()+"/internal/force_flush")
	raw := get(t, s.url()+"/api/v1/export?"+url.Values{"match[]": {measurement + "_" + field}, "reduce_mem_usage": {"0"}}.Encode())
	found := map[string][]point{}
	for lines := bufio.NewScanner(bytes.NewReader(raw)); lines.Scan(); {
		var series struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &series))
		key := keyOf(tags, series.Metric)
		for i, v := range series.Values {
			found[key] = append(found[key], point{series.Timestamps[i], v})
		}
	}
	return found
}

func keyOf(tags []string, values map[string]string) string {
	var key []string
	for _, t := range tags {
		key = append(key, values[t])
	}
	return strings.Join(key, "|")
}

func influxDB(t *testing.T) *server {
	out, err := exec.Command("go", "env", "GOPATH").Output()
	require.NoError(t, err)
	path := binary(t, "EBBLINE_INFLUXD", "influxd", filepath.Join(strings.TrimSpace(string(out)), "bin", "influxd"))
	return &server{
		ready: "/ping",
		dies:  os.Kill,
		start: func(s *server) *exec.Cmd {
			conf := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[http]\nbind-address = %q\nflux-enabled = true\n",
				"127.0.0.1:0", s.dir+"/meta", s.dir+"/data", s.dir+"/wal", s.addr)
			file := filepath.Join(s.dir, "influxdb.conf")
			require.NoError(t, os.WriteFile(file, []byte(conf), 0o600))
			return exec.Command(path, "-config", file)
		},
		setUp: func(t *testing.T, s *server) { influxQuery(t, s, "CREATE DATABASE beer") },
		read:  readInflux,
	}
}

type influxSeries struct {
	Tags   map[string]string
	Values [][]any
}

func influxQuery(t *testing.T, s *server, q string) []influxSeries {
	t.Helper()
	answer, err := http.PostForm(s.url()+"/query", url.Values{"q": {q}, "db": {"beer"}, "epoch": {"ms"}})
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	var body struct {
		Results []struct {
			Series []influxSeries
			Error  string
		}
	}
	decode := json.NewDecoder(answer.Body)
	decode.UseNumber()
	require.NoError(t, decode.Decode(&body))
	require.Len(t, body.Results, 1)
	require.Empty(t, body.Results[0].Error)
	return body.Results[0].Series
}

func readInflux(t *testing.T, s *server, measurement, field string, tags ...string) map[string][]point {
	found := map[string][]point{}
	for _, series := range influxQuery(t, s, fmt.Sprintf(`SELECT %q FROM %q GROUP BY %s`, field, measurement, `"`+strings.Join(tags, `","`)+`"`)) {
		key := keyOf(tags, series.Tags)
		for _, row := range series.Values {
			at, err := row[0].(json.Number).Int64()
			require.NoError(t, err)
			v, err := strconv.ParseFloat(row[1].(json.Number).String(), 64)
			require.NoError(t, err)
			found[key] = append(found[key], point{at, v})
		}
	}
	return found
}

func get(t *testing.T, address string) []byte {
	t.Helper()
	answer, err := http.Get(address)
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	raw, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, 2, answer.StatusCode/100, string(raw))
	return raw
}
