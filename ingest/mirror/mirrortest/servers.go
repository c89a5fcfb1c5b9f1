// Package mirrortest starts real time series databases for tests and reads back
// what they hold.
package mirrortest

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
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

	"ebbline/deploy/porttest"
)

// Patience is far beyond what any of this takes.
const Patience = 2 * time.Minute

// Server is a real time series database of the test's own, on loopback.
type Server struct {
	addr  string
	dir   string
	start func(s *Server) *exec.Cmd
	ready string // path that answers 2xx
	setUp func(t testing.TB, s *Server)
	read  func(t testing.TB, s *Server, measurement, field string, tags ...string) map[string][]Point
	// dies is how it ends in the middle of a test. InfluxDB keeps what it has
	// accepted through a kill; VictoriaMetrics loses its last seconds, which no
	// client can help, so it is asked to end.
	dies os.Signal
	cmd  *exec.Cmd
	said bytes.Buffer
}

// Point is one value of a series; to the millisecond, which is all that
// VictoriaMetrics keeps.
type Point struct {
	Millis int64
	Value  float64
}

// URL is the server's address.
func (s *Server) URL() string { return "http://" + s.addr }

// Read gives the points of one field, by the values of the tags named, joined by |.
func (s *Server) Read(t testing.TB, measurement, field string, tags ...string) map[string][]Point {
	t.Helper()
	return s.read(t, s, measurement, field, tags...)
}

// run starts the server on a free port and ends it with the test.
func run(t testing.TB, s *Server) *Server {
	t.Helper()
	s.dir = t.TempDir()
	s.addr = porttest.Address(t)
	t.Cleanup(func() {
		s.kill(t)
		if t.Failed() {
			t.Log(s.said.String())
		}
	})
	s.Again(t)
	s.setUp(t, s)
	return s
}

// Again starts a server that was stopped, on the address it had.
func (s *Server) Again(t testing.TB) {
	t.Helper()
	s.cmd = s.start(s)
	s.cmd.Stdout, s.cmd.Stderr = &s.said, &s.said
	require.NoError(t, s.cmd.Start())
	require.Eventually(t, func() bool {
		answer, err := http.Get(s.URL() + s.ready)
		if err != nil {
			return false
		}
		_ = answer.Body.Close()
		return answer.StatusCode/100 == 2
	}, Patience, 20*time.Millisecond, "the server answers")
}

// Stop ends the server as it dies in a test.
func (s *Server) Stop(t testing.TB) {
	t.Helper()
	require.NoError(t, s.cmd.Process.Signal(s.dies))
	_ = s.cmd.Wait() // its status says nothing
	s.cmd = nil
}

func (s *Server) kill(t testing.TB) {
	t.Helper()
	if s.cmd != nil {
		require.NoError(t, s.cmd.Process.Kill())
		_ = s.cmd.Wait() // "signal: killed"
		s.cmd = nil
	}
}

// binary finds a program that deploy/test.sh installs.
func binary(t testing.TB, env, name string, places ...string) string {
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

// VictoriaMetrics runs one until the test ends.
func VictoriaMetrics(t testing.TB) *Server {
	path := binary(t, "EBBLINE_VICTORIA_METRICS", "victoria-metrics")
	return run(t, &Server{
		ready: "/health",
		dies:  os.Interrupt,
		start: func(s *Server) *exec.Cmd {
			return exec.Command(path, "-storageDataPath="+s.dir, "-httpListenAddr="+s.addr, "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms")
		},
		setUp: func(testing.TB, *Server) {},
		read:  readVictoria,
	})
}

// readVictoria exports a metric; each field of a measurement is one.
func readVictoria(t testing.TB, s *Server, measurement, field string, tags ...string) map[string][]Point {
	Get(t, s.URL()+"/internal/force_flush")
	raw := Get(t, s.URL()+"/api/v1/export?"+url.Values{"match[]": {measurement + "_" + field}, "reduce_mem_usage": {"0"}}.Encode())
	found := map[string][]Point{}
	for lines := bufio.NewScanner(bytes.NewReader(raw)); lines.Scan(); {
		var series struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &series))
		key := keyOf(tags, series.Metric)
		for i, v := range series.Values {
			found[key] = append(found[key], Point{series.Timestamps[i], v})
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

// InfluxDB runs an InfluxDB 1.8 with a database beer until the test ends; it
// answers InfluxQL and Flux.
func InfluxDB(t testing.TB) *Server {
	out, err := exec.Command("go", "env", "GOPATH").Output()
	require.NoError(t, err)
	path := binary(t, "EBBLINE_INFLUXD", "influxd", filepath.Join(strings.TrimSpace(string(out)), "bin", "influxd"))
	return run(t, &Server{
		ready: "/ping",
		dies:  os.Kill,
		start: func(s *Server) *exec.Cmd {
			conf := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[http]\nbind-address = %q\nflux-enabled = true\n",
				"127.0.0.1:0", s.dir+"/meta", s.dir+"/data", s.dir+"/wal", s.addr)
			file := filepath.Join(s.dir, "influxdb.conf")
			require.NoError(t, os.WriteFile(file, []byte(conf), 0o600))
			return exec.Command(path, "-config", file)
		},
		setUp: func(t testing.TB, s *Server) { InfluxQL(t, s, "CREATE DATABASE beer") },
		read:  readInflux,
	})
}

// Series is one of an InfluxQL answer.
type Series struct {
	Tags   map[string]string
	Values [][]any
}

// InfluxQL asks the database beer of an InfluxDB.
func InfluxQL(t testing.TB, s *Server, q string) []Series {
	t.Helper()
	answer, err := http.PostForm(s.URL()+"/query", url.Values{"q": {q}, "db": {"beer"}, "epoch": {"ms"}})
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	var body struct {
		Results []struct {
			Series []Series
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

// Flux asks an InfluxDB and gives the annotated CSV's rows as maps by column.
func Flux(t testing.TB, s *Server, q string) []map[string]string {
	t.Helper()
	ask, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL()+"/api/v2/query", strings.NewReader(q))
	require.NoError(t, err)
	ask.Header.Set("Content-Type", "application/vnd.flux")
	ask.Header.Set("Accept", "application/csv")
	answer, err := http.DefaultClient.Do(ask)
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	raw, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.StatusCode, string(raw))
	var rows []map[string]string
	var header []string
	for table := range strings.SplitSeq(strings.ReplaceAll(string(raw), "\r\n", "\n"), "\n\n") {
		if strings.TrimSpace(table) == "" {
			continue
		}
		lines, err := csv.NewReader(strings.NewReader(table)).ReadAll()
		require.NoError(t, err)
		header = nil
		for _, cells := range lines {
			if strings.HasPrefix(cells[0], "#") {
				continue
			}
			if header == nil {
				header = cells
				continue
			}
			row := map[string]string{}
			for i, c := range cells {
				row[header[i]] = c
			}
			rows = append(rows, row)
		}
	}
	return rows
}

func readInflux(t testing.TB, s *Server, measurement, field string, tags ...string) map[string][]Point {
	found := map[string][]Point{}
	for _, series := range InfluxQL(t, s, fmt.Sprintf(`SELECT %q FROM %q GROUP BY %s`, field, measurement, `"`+strings.Join(tags, `","`)+`"`)) {
		key := keyOf(tags, series.Tags)
		for _, row := range series.Values {
			at, err := row[0].(json.Number).Int64()
			require.NoError(t, err)
			v, err := strconv.ParseFloat(row[1].(json.Number).String(), 64)
			require.NoError(t, err)
			found[key] = append(found[key], Point{at, v})
		}
	}
	return found
}

// Get is the body of an address that answers 2xx.
func Get(t testing.TB, address string) []byte {
	t.Helper()
	answer, err := http.Get(address)
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	raw, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, 2, answer.StatusCode/100, string(raw))
	return raw
}
