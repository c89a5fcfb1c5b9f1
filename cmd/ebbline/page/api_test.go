package page

import (
	"encoding/json"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// Every API route is in the document, and every path of the document is a
// route; who may use it is said truly.
func TestDocumentNamesEveryRoute(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	r := c.api(http.MethodGet, "/api/v1/openapi.json", "", "")
	require.Equal(t, http.StatusOK, r.status)
	var doc struct {
		OpenAPI string
		Paths   map[string]map[string]json.RawMessage
	}
	require.NoError(t, json.Unmarshal([]byte(r.body), &doc))
	require.True(t, strings.HasPrefix(doc.OpenAPI, "3.1."))
	var written, served []string
	for path, item := range doc.Paths {
		for method := range item {
			if method != "parameters" {
				written = append(written, strings.ToUpper(method)+" "+path)
			}
		}
	}
	for _, route := range c.server.apiRoutes() {
		served = append(served, route.pattern)
	}
	slices.Sort(written)
	slices.Sort(served)
	require.Equal(t, served, written)
	for _, route := range c.server.apiRoutes() {
		method, path, _ := strings.Cut(route.pattern, " ")
		var op struct {
			OperationID string
			Security    *[]map[string][]string
		}
		require.NoError(t, json.Unmarshal(doc.Paths[path][strings.ToLower(method)], &op))
		require.NotEmpty(t, op.OperationID, route.pattern)
		switch route.access {
		case anyone:
			require.Empty(t, *op.Security, route.pattern)
		case personal:
			require.Equal(t, []map[string][]string{{"session": {}}}, *op.Security, route.pattern)
		default:
			require.Nil(t, op.Security, route.pattern)
		}
	}
}

// Every reference in the document leads somewhere, and every part is used.
func TestDocumentIsClosed(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	text := string(c.server.assets["openapi.json"].plain)
	var doc map[string]any
	require.NoError(t, json.Unmarshal([]byte(text), &doc))
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`"\$ref": "#/([^"]+)"`).FindAllStringSubmatch(text, -1) {
		used[m[1]] = true
		at := any(doc)
		for step := range strings.SplitSeq(m[1], "/") {
			at = at.(map[string]any)[step]
			require.NotNil(t, at, m[1])
		}
	}
	for group, parts := range doc["components"].(map[string]any) {
		for name := range parts.(map[string]any) {
			require.True(t, group == "securitySchemes" || used["components/"+group+"/"+name], "unused: %s %s", group, name)
		}
	}
}

// What the API answers has exactly the keys that the document requires.
func TestAnswersMatchTheDocument(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	var doc struct {
		Components struct {
			Schemas map[string]struct {
				Required   []string
				Properties map[string]json.RawMessage
			}
		}
	}
	require.NoError(t, json.Unmarshal(c.server.assets["openapi.json"].plain, &doc))
	check := func(schema string, value any) {
		t.Helper()
		def, ok := doc.Components.Schemas[schema]
		require.True(t, ok, schema)
		got := value.(map[string]any)
		for _, k := range def.Required {
			require.Contains(t, got, k, schema)
		}
		for k := range got {
			require.Contains(t, def.Properties, k, schema)
		}
	}
	ask := func(path string) map[string]any {
		t.Helper()
		r := c.api(http.MethodGet, path, "", c.token())
		require.Equal(t, http.StatusOK, r.status, r.body)
		var v map[string]any
		require.NoError(t, json.Unmarshal([]byte(r.body), &v))
		return v
	}
	first := func(path, list string) any {
		t.Helper()
		all := ask(path)[list].([]any)
		require.NotEmpty(t, all, path)
		return all[0]
	}
	one := ask("/api/v1/batches/pale-12")
	check("Batch", one)
	check("Estimate", one["estimate"])
	check("Projection", one["projection"])
	check("Crossing", one["projection"].(map[string]any)["crosses"])
	check("Batch", first("/api/v1/batches", "batches"))
	series := ask("/api/v1/batches/pale-12/series")
	check("Series", series)
	check("Bins", series["gravity"].([]any)[0])
	check("Entry", first("/api/v1/batches/pale-12/entries", "entries"))
	check("Alert", first("/api/v1/alerts", "alerts"))
	check("Sensor", first("/api/v1/sensors", "sensors"))
	check("Topic", first("/api/v1/topics", "topics"))
	check("Refusal", first("/api/v1/refusals", "refusals"))
	check("HealthItem", first("/api/v1/health", "items"))
	problem := c.api(http.MethodGet, "/api/v1/batches/none", "", c.token())
	var p map[string]any
	require.NoError(t, json.Unmarshal([]byte(problem.body), &p))
	check("Problem", p)
}

// RFC 9457: problem details with their own media type.
func TestProblems(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	token := c.token()
	for name, one := range map[string]struct {
		method, path, body string
		status             int
		says               string
	}{
		"no such batch":          {"GET", "/api/v1/batches/none", "", 404, "no batch of this name"},
		"no such path":           {"GET", "/api/v1/nothing", "", 404, "openapi.json"},
		"wrong method":           {"DELETE", "/api/v1/batches", "", 405, "it takes GET, POST"},
		"not JSON":               {"POST", "/api/v1/batches/pale-12/samples", "{", 422, "cannot be read"},
		"empty":                  {"POST", "/api/v1/batches/pale-12/samples", "", 422, "empty"},
		"unknown key":            {"POST", "/api/v1/batches/pale-12/samples", `{"grafity":1.01}`, 422, "grafity"},
		"two values":             {"POST", "/api/v1/batches/pale-12/samples", `{"ph":4}{"ph":5}`, 422, "more than one"},
		"number in a string":     {"POST", "/api/v1/batches/pale-12/samples", `{"gravity":"1.01"}`, 422, `"detail":"Want a number, without quotes and with a decimal point, got a JSON string.","field":"gravity"`},
		"a list":                 {"POST", "/api/v1/batches/pale-12/samples", `[]`, 422, "Want an object, got a JSON array."},
		"nothing measured":       {"POST", "/api/v1/batches/pale-12/samples", `{}`, 422, "needs gravity"},
		"sample of no batch":     {"POST", "/api/v1/batches/none/samples", `{"ph":4}`, 404, "nothing of this name"},
		"unknown action":         {"POST", "/api/v1/batches/pale-12/actions", `{"action":"drink"}`, 422, "crash-started"},
		"package into nothing":   {"POST", "/api/v1/batches/pale-12/actions", `{"action":"packaged"}`, 422, "keg or bottle"},
		"note without text":      {"POST", "/api/v1/batches/pale-12/actions", `{"action":"note"}`, 422, "text"},
		"no such alert":          {"POST", "/api/v1/alerts/pale-12/crash-now/9/acknowledge", "", 404, "nothing of this name"},
		"from no time":           {"GET", "/api/v1/batches/pale-12/series?from=yesterday", "", 422, "yesterday"},
		"to before from":         {"GET", "/api/v1/batches/pale-12/series?from=2000&to=1000", "", 422, "later than from"},
		"too many buckets":       {"GET", "/api/v1/batches/pale-12/series?buckets=5000", "", 422, "1000"},
		"bad batch file":         {"POST", "/api/v1/batches", "batch: {name: x}", 422, "original_gravity is missing"},
		"no such token":          {"DELETE", "/api/v1/tokens/zzz", "", 401, "API token"},
		"batch file far too big": {"POST", "/api/v1/batches", strings.Repeat("x", largestBatch+1), 413, "too much"},
	} {
		t.Run(name, func(t *testing.T) {
			r := c.api(one.method, one.path, one.body, token)
			require.Equal(t, one.status, r.status, r.body)
			require.Contains(t, r.body, one.says)
			require.Equal(t, "application/problem+json", r.header.Get("Content-Type"))
			var p problemBody
			require.NoError(t, json.Unmarshal([]byte(r.body), &p))
			require.Equal(t, one.status, p.Status)
		})
	}
}

func TestScriptsEnterThings(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	token := c.token()
	r := c.api(http.MethodPost, "/api/v1/batches/pale-12/samples", `{"gravity":1.0101,"ph":3.85,"key":"s1"}`, token)
	require.Equal(t, http.StatusNoContent, r.status, r.body)
	r = c.api(http.MethodPost, "/api/v1/batches/pale-12/samples", `{"gravity":1.0101,"ph":3.85,"key":"s1"}`, token)
	require.Equal(t, http.StatusNoContent, r.status, "the same key again changes nothing")
	r = c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"crash-started","time":"2026-03-05T18:00:00Z"}`, token)
	require.Equal(t, http.StatusNoContent, r.status, r.body)
	r = c.api(http.MethodPost, "/api/v1/alerts/pale-12/crash-now/1/acknowledge", "", token)
	require.Equal(t, http.StatusNoContent, r.status, r.body)
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 4)
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.NotNil(t, a.Acknowledged)

	var got struct{ Entries []entryInfo }
	r = c.api(http.MethodGet, "/api/v1/batches/pale-12/entries", "", token)
	require.NoError(t, json.Unmarshal([]byte(r.body), &got))
	require.JSONEq(t, `{"time":"2026-03-05T18:30:00Z","gravity":1.0101,"ph":3.85}`, string(got.Entries[2].Body))
	var b batchInfo
	r = c.api(http.MethodGet, "/api/v1/batches/pale-12", "", token)
	require.NoError(t, json.Unmarshal([]byte(r.body), &b))
	require.Equal(t, time.Date(2026, 3, 5, 18, 0, 0, 0, time.UTC), *b.Crashed)
	require.InDelta(t, 3.85, *b.PH, 0)
}

func TestScriptStartsABatch(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	r := c.do(c.http.Client(), c.request(http.MethodPost, "/api/v1/batches", "batch: {original_gravity: 1.0132}", "Authorization", "Bearer "+c.token(), "Content-Type", "application/yaml"))
	require.Equal(t, http.StatusCreated, r.status, r.body)
	require.Equal(t, "/api/v1/batches/harbour-pale-1", r.header.Get("Location"))
	require.JSONEq(t, `{"id":"harbour-pale-1"}`, r.body)
}

func TestAlertsOfOneBatch(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	require.NoError(t, c.journal.Resolve(t.Context(), "pale-12/crash-now/1", noon))
	for path, want := range map[string]int{"": 1, "?open=true": 0, "?batch=pale-12": 1, "?batch=amber-3": 0} {
		var got struct{ Alerts []alertInfo }
		require.NoError(t, json.Unmarshal([]byte(c.api(http.MethodGet, "/api/v1/alerts"+path, "", "").body), &got))
		require.Len(t, got.Alerts, want, path)
	}
}

// Health is told as it is.
func TestHealthIsTold(t *testing.T) {
	t.Parallel()
	bad := HealthItem{Code: "broker", Text: "The broker cannot be reached.", Since: noon}
	c := whole(t, func(o *Options) { o.Health = func() []HealthItem { return []HealthItem{bad} } })
	r := c.api(http.MethodGet, "/api/v1/health", "", "")
	require.JSONEq(t, `{"ok":false,"items":[{"code":"broker","ok":false,"text":"The broker cannot be reached.","since":"2026-03-05T18:30:00Z"}]}`, r.body)
	require.Contains(t, c.get(c.loggedIn(), "/").body, "Something needs you")
}

// Entries that were struck out stay, but count no more.
func TestStruckEntries(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	b, err := json.Marshal(map[string]int64{"seq": entries[0].Seq})
	require.NoError(t, err)
	_, err = c.journal.AddEntry(t.Context(), journal.Entry{Batch: "pale-12", Kind: journal.StruckEntry, Time: noon, Entered: noon, Body: b})
	require.NoError(t, err)
	page := c.get(c.loggedIn(), "/batch/pale-12").body
	require.Contains(t, page, "<s>Sample: 1.0116 SG, pH 4.12</s>")
	require.Contains(t, page, "No pH is recorded")
}
