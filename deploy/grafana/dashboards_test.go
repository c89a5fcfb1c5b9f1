package grafana

import (
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"

	"ebbline/deploy/porttest"
	"ebbline/ingest/mirror/mirrortest"
)

var update = flag.Bool("update", false, "write the dashboards")

// TestFilesAreTheSource: the JSON beside this is what the source says.
func TestFilesAreTheSource(t *testing.T) {
	all, err := files()
	require.NoError(t, err)
	for name, want := range all {
		if *update {
			require.NoError(t, os.WriteFile(name, want, 0o644))
		}
		got, err := os.ReadFile(name)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got), "%s: run go test ./deploy/grafana -update", name)
	}
}

// board is what Grafana's file format (Grafana documentation, "Dashboard JSON
// model") makes of a dashboard, as far as it matters here.
type board struct {
	UID, Title    string
	SchemaVersion int
	Panels        []struct {
		ID          int
		Type, Title string
		GridPos     struct{ H, W, X, Y int }
		Targets     []target
		Datasource  struct{ UID string }
		FieldConfig struct{ Defaults struct{ Unit string } }
	}
	Templating struct {
		List []struct{ Name, Type, Query string }
	}
}

type target struct {
	RefID, Expr, Query string
}

func shipped(t *testing.T, file string) (b board) {
	raw, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, &b))
	return b
}

// TestDashboardsHoldTogether: panels neither overlap nor share an ID, each has a
// unit, queries of the chosen source, and no variable that is not defined.
func TestDashboardsHoldTogether(t *testing.T) {
	known := regexp.MustCompile(`\$(__rate_interval|__interval|__range|timeFilter|batch|tag_\w+|col)\b`)
	for _, s := range sources() {
		b := shipped(t, s.file)
		require.NotEmpty(t, b.UID)
		ids, taken := map[int]bool{}, map[[2]int]bool{}
		for _, p := range b.Panels {
			require.False(t, ids[p.ID])
			ids[p.ID] = true
			at := [2]int{p.GridPos.X, p.GridPos.Y}
			require.False(t, taken[at], p.Title)
			taken[at] = true
			require.LessOrEqual(t, p.GridPos.X+p.GridPos.W, 24)
			require.NotEmpty(t, p.FieldConfig.Defaults.Unit, p.Title)
			require.Equal(t, "${source}", p.Datasource.UID)
			require.NotEmpty(t, p.Targets, p.Title)
			for _, q := range p.Targets {
				require.NotEmpty(t, q.Expr+q.Query, p.Title)
				require.NotContains(t, known.ReplaceAllString(q.Expr+strings.ReplaceAll(q.Query, "$/", "/"), ""), "$", p.Title)
			}
		}
	}
	for _, file := range []string{"provisioning/datasources/ebbline.yml", "provisioning/dashboards/ebbline.yml"} {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		var provided struct {
			APIVersion int `yaml:"apiVersion"`
		}
		require.NoError(t, yaml.Unmarshal(raw, &provided))
		require.Equal(t, 1, provided.APIVersion)
	}
}

// TestEveryQueryReturnsSeries: the daemon runs, is scraped and mirrored; each
// query of each dashboard is put to the real server behind its source, and each
// answers with series. Grafana itself is not run.
func TestEveryQueryReturnsSeries(t *testing.T) {
	t.Parallel()
	victoria, influx := mirrortest.VictoriaMetrics(t), mirrortest.InfluxDB(t)
	cellar := startCellar(t, victoria.URL())
	second := startCellar(t, influx.URL()) // one daemon has one mirror
	cellar.brew(t)
	second.brew(t)
	prometheus := startPrometheus(t, cellar.page)
	ask := map[string]func(q string) (int, string){
		"ebbline-prometheus.json":      func(q string) (int, string) { return promQL(t, prometheus, q) },
		"ebbline-victoriametrics.json": func(q string) (int, string) { return promQL(t, victoria.URL(), q) },
		"ebbline-influxdb.json":        func(q string) (int, string) { return influxQL(t, influx.URL(), q) },
	}
	for _, s := range sources() {
		b := shipped(t, s.file)
		for _, p := range b.Panels {
			for _, target := range p.Targets {
				q := strings.NewReplacer("$__rate_interval", "5m", "$__interval", "1h", "$__range", "30d", "$timeFilter", "time > now() - 30d", "/^$batch$/", "/^.*$/", "$batch", ".*").Replace(target.Expr + target.Query)
				said := ""
				require.Eventually(t, func() bool {
					n, text := ask[s.file](q)
					said = text
					return n > 0
				}, time.Minute, 500*time.Millisecond, "%s, panel %q: %s", s.file, p.Title, q)
				require.NotContains(t, said, `"error"`)
			}
		}
		for _, v := range b.Templating.List {
			if v.Name == "batch" && strings.HasPrefix(v.Query, "SHOW") {
				n, text := ask[s.file](v.Query)
				require.Equal(t, 1, n, text)
			}
		}
	}
}

type cellar struct{ page, mqtt string }

// startCellar runs the daemon with one batch, a webhook and this mirror.
func startCellar(t *testing.T, mirror string) cellar {
	dir := t.TempDir()
	exe := filepath.Join(dir, "ebbline")
	out, err := exec.Command("go", "build", "-o", exe, "ebbline/cmd/ebbline").CombinedOutput()
	require.NoError(t, err, string(out))
	hook := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	t.Cleanup(hook.Close)
	c := cellar{page: porttest.Address(t), mqtt: porttest.Address(t)}
	config := filepath.Join(dir, "ebbline.yaml")
	pitched := time.Now().UTC().Add(-50 * time.Hour).Truncate(time.Minute)
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, `
data: %s/data
mqtt: {listen: %q}
page: {listen: %q}
notify: [{webhook: %q, name: hook}]
mirror: {influxdb: {url: %q, org: cellar, bucket: beer}}
sensors:
  - name: float-1
    topic: cellar/float-1
    time: /ts
    readings:
      - {quantity: gravity, pointer: /g, unit: sg}
      - {quantity: temperature, pointer: /t, unit: Cel}
`, dir, c.mqtt, c.page, hook.URL, mirror), 0o600))
	batch := filepath.Join(dir, "batch.yaml")
	require.NoError(t, os.WriteFile(batch, fmt.Appendf(nil, `
batch:
  name: pale wheat 12
  volume: 19 L
  original_gravity: 1.0155
  ceiling: 0.5
  pitched_at: %s
  crash: {to: 2 Cel, time_constant: 6h}
  sensors: [float-1]
`, pitched.Format(time.RFC3339)), 0o600))
	run(t, exe, "serve", "--config", config, "--batch", batch)
	answers(t, "http://"+c.page+"/readyz")
	return c
}

// brew publishes fifty hours of a fermentation that ends now, and one message
// that no sensor can use.
func (c cellar) brew(t *testing.T) {
	var lines strings.Builder
	begin := time.Now().UTC().Add(-50 * time.Hour).Truncate(time.Minute)
	for i := range 200 {
		at := begin.Add(time.Duration(i) * 15 * time.Minute)
		fallen := max(0, min(1, (float64(i)-80)/110))
		fmt.Fprintf(&lines, `{"ts":%q,"g":%.4f,"t":19.%d}`+"\n", at.Format(time.RFC3339), 1.0155-0.0032*fallen, i%4)
	}
	lines.WriteString("{\"g\":\"nothing\"}\n")
	host, port, err := net.SplitHostPort(c.mqtt)
	require.NoError(t, err)
	cmd := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-t", "cellar/float-1", "-q", "1", "-l")
	cmd.Stdin = strings.NewReader(lines.String())
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
}

// startPrometheus scrapes the daemon by the configuration that is shipped, each
// second.
func startPrometheus(t *testing.T, page string) string {
	raw, err := os.ReadFile("../prometheus/prometheus.yml")
	require.NoError(t, err)
	text := strings.NewReplacer("scrape_interval: 30s", "scrape_interval: 1s", "127.0.0.1:8080", page, "  - ebbline.rules.yml", "").Replace(string(raw))
	dir, addr := t.TempDir(), porttest.Address(t)
	config := filepath.Join(dir, "prometheus.yml")
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	run(t, "prometheus", "--config.file="+config, "--storage.tsdb.path="+dir, "--web.listen-address="+addr)
	answers(t, "http://"+addr+"/-/ready")
	return "http://" + addr
}

func run(t *testing.T, name string, args ...string) {
	cmd := exec.Command(name, args...)
	said, err := os.CreateTemp(t.TempDir(), "said")
	require.NoError(t, err)
	cmd.Stdout, cmd.Stderr = said, said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if text, err := os.ReadFile(said.Name()); err == nil && t.Failed() {
			t.Logf("%s said:\n%.6000s", name, text)
		}
	})
}

func answers(t *testing.T, url string) {
	require.Eventually(t, func() bool {
		answer, err := http.Get(url)
		if err != nil {
			return false
		}
		_ = answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	}, 2*time.Minute, 50*time.Millisecond, url)
}

func promQL(t *testing.T, server, q string) (series int, said string) {
	body := post(t, server+"/api/v1/query", url.Values{"query": {q}})
	var answer struct {
		Status string
		Data   struct{ Result []json.RawMessage }
	}
	require.NoError(t, json.Unmarshal(body, &answer), string(body))
	require.Equal(t, "success", answer.Status, "%s\n%s", q, body)
	return len(answer.Data.Result), string(body)
}

func influxQL(t *testing.T, server, q string) (series int, said string) {
	body := post(t, server+"/query", url.Values{"q": {q}, "db": {"beer"}})
	var answer struct {
		Results []struct {
			Series []json.RawMessage
			Error  string
		}
	}
	require.NoError(t, json.Unmarshal(body, &answer), string(body))
	require.Len(t, answer.Results, 1, string(body))
	require.Empty(t, answer.Results[0].Error, q)
	return len(answer.Results[0].Series), string(body)
}

func post(t *testing.T, address string, form url.Values) []byte {
	answer, err := http.PostForm(address, form)
	require.NoError(t, err)
	defer func() { _ = answer.Body.Close() }()
	body, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return body
}
