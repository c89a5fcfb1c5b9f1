package page

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

// schemas validates what the API answers against its document, by a validator of
// JSON Schema 2020-12 from outside the project. A key that the document does not
// name is a fault here, so that nothing is answered that it does not promise.
type schemas struct {
	testing.TB
	doc      map[string]any
	compiler *jsonschema.Compiler
	paths    map[string]*regexp.Regexp
	met      map[string]bool // "METHOD /path status"
	token    string
}

const schemaHome = "http://document.invalid/openapi.json"

func newSchemas(t testing.TB, c *cellar) *schemas {
	t.Helper()
	raw, err := jsonschema.UnmarshalJSON(strings.NewReader(string(c.server.assets["openapi.json"].plain)))
	require.NoError(t, err)
	s := &schemas{TB: t, doc: raw.(map[string]any), compiler: jsonschema.NewCompiler(), paths: map[string]*regexp.Regexp{}, met: map[string]bool{}, token: c.token()}
	closed(s.doc["components"])
	closed(s.doc["paths"])
	s.compiler.DefaultDraft(jsonschema.Draft2020)
	s.compiler.AssertFormat()
	require.NoError(t, s.compiler.AddResource(schemaHome, s.doc))
	for path := range s.doc["paths"].(map[string]any) {
		s.paths[path] = regexp.MustCompile("^" + regexp.MustCompile(`\\\{[^}]*\\\}`).ReplaceAllString(regexp.QuoteMeta(path), "[^/]+") + "$")
	}
	return s
}

// closed forbids keys that a schema of an object does not name.
func closed(v any) {
	switch v := v.(type) {
	case map[string]any:
		if _, named := v["properties"]; named && v["type"] == "object" {
			if _, said := v["additionalProperties"]; !said {
				v["additionalProperties"] = false
			}
		}
		for _, one := range v {
			closed(one)
		}
	case []any:
		for _, one := range v {
			closed(one)
		}
	}
}

// pathOf is the path of the document that a request is of: of several the one
// with the fewest parameters.
func (s *schemas) pathOf(path string) string {
	s.Helper()
	best := ""
	for p, re := range s.paths {
		if re.MatchString(path) && (best == "" || strings.Count(p, "{") < strings.Count(best, "{")) {
			best = p
		}
	}
	require.NotEmpty(s, best, path)
	return best
}

// at is a part of the document by its steps, references followed.
func (s *schemas) at(pointer string) (any, string) {
	v := any(s.doc)
	for step := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
		m, _ := v.(map[string]any)
		v = m[strings.NewReplacer("~1", "/", "~0", "~").Replace(step)]
		if m, ok := v.(map[string]any); ok {
			if ref, ok := m["$ref"].(string); ok {
				pointer = strings.TrimPrefix(ref, "#")
				v, pointer = s.at(pointer)
			}
		}
	}
	return v, pointer
}

func escapeStep(s string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(s) }

// check validates one answer; it fails if the document does not name its status.
func (s *schemas) check(method, target string, r reply) {
	s.Helper()
	u, err := url.Parse(target)
	require.NoError(s, err)
	path := s.pathOf(u.EscapedPath())
	op := "/paths/" + escapeStep(path) + "/" + strings.ToLower(method) + "/responses/"
	got, base := s.at(op + fmt.Sprint(r.status))
	if got == nil {
		require.GreaterOrEqual(s, r.status, 400, "%s %s: %d is not in the document", method, path, r.status)
		got, base = s.at(op + "default")
	}
	require.NotNil(s, got, "%s %s", method, path)
	s.met[fmt.Sprintf("%s %s %d", method, path, r.status)] = true
	content, _ := got.(map[string]any)["content"].(map[string]any)
	if content == nil {
		require.Empty(s, r.body, "%s %s", method, path)
		return
	}
	mime, _, _ := strings.Cut(r.header.Get("Content-Type"), ";")
	require.Contains(s, content, mime, "%s %s: %s", method, path, r.body)
	if strings.HasSuffix(mime, "json") {
		s.valid(base+"/content/"+escapeStep(mime)+"/schema", r.body, method+" "+path)
	}
}

func (s *schemas) valid(pointer, body, what string) {
	s.Helper()
	schema, err := s.compiler.Compile(schemaHome + "#" + (&url.URL{Path: pointer}).EscapedPath())
	require.NoError(s, err, pointer)
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	require.NoError(s, err, what)
	require.NoError(s, schema.Validate(v), "%s: %s", what, body)
}

// called is a request of a script, its body held to the document if it is to be
// taken, its answer in any case.
func (s *schemas) called(c *cellar, method, path, body string, status int) reply {
	s.Helper()
	r := c.api(method, path, body, s.token)
	require.Equal(s, status, r.status, "%s %s: %s", method, path, r.body)
	s.check(method, path, r)
	if body != "" && status < 300 {
		u, err := url.Parse(path)
		require.NoError(s, err)
		at := "/paths/" + escapeStep(s.pathOf(u.EscapedPath())) + "/" + strings.ToLower(method) + "/requestBody/content/" + escapeStep("application/json") + "/schema"
		s.valid(at, body, "the request "+method+" "+path)
	}
	return r
}

// Every operation of the document is called, with what it takes and with what it
// refuses, and all that comes back is as the document says.
func TestEveryOperationKeepsToTheDocument(t *testing.T) {
	t.Parallel()
	c := ended(t)
	s := newSchemas(t, c)
	const b = "/api/v1/batches/pale-12"
	later := noon.Add(5 * time.Hour).Format(time.RFC3339)
	pairs := `[{"shown":25,"known":1.000},{"shown":40,"known":1.020},{"shown":55,"known":1.041},{"shown":63,"known":1.052}]`
	for _, one := range []struct {
		method, path, body string
		status             int
	}{
		{"GET", "/api/v1/openapi.json", "", 200},
		{"GET", "/api/v1/batches", "", 200},
		{"GET", "/api/v1/batches?limit=0", "", 422},
		{"POST", "/api/v1/batches", `{"batch":{"original_gravity":1.0132}}`, 201},
		{"POST", "/api/v1/batches", `{}`, 422},
		{"GET", b, "", 200},
		{"GET", "/api/v1/batches/none", "", 404},
		{"GET", b + "/series?buckets=40", "", 200},
		{"GET", b + "/series?from=x", "", 422},
		{"GET", b + "/entries", "", 200},
		{"GET", b + "/entries?cursor=!", "", 422},
		{"GET", b + "/readings?limit=7&quantity=gravity", "", 200},
		{"GET", b + "/readings?cursor=YQ", "", 422},
		{"GET", b + "/estimates?limit=3&from=" + url.QueryEscape(noon.Add(-9*time.Hour).Format(time.RFC3339)), "", 200},
		{"GET", "/api/v1/batches/wheat-7/export/batch.json", "", 200},
		{"GET", "/api/v1/batches/wheat-7/export/record.csv", "", 200},
		{"GET", "/api/v1/batches/wheat-7/export/nothing.csv", "", 404},
		{"GET", b + "/packaging", "", 200},
		{"GET", b + "/what-if?crash_at=" + url.QueryEscape(later), "", 422},
		{"POST", b + "/samples", `{"gravity":1.0101,"temperature":19.5,"ph":3.9,"key":"k1"}`, 204},
		{"POST", b + "/samples", `{"gravity":"1,01"}`, 422},
		{"POST", b + "/actions", `{"action":"note","text":"Moved."}`, 204},
		{"POST", b + "/actions", `{"action":"crash-started","key":"k2"}`, 204},
		{"POST", b + "/actions", `{"action":"packaged","into":"keg"}`, 422},
		{"POST", b + "/entries/99999/strike", "", 404},
		{"PUT", b + "/sensors", `{"sensors":["float-8"]}`, 204},
		{"PUT", b + "/sensors", `{}`, 422},
		{"GET", "/api/v1/alerts?open=true", "", 200},
		{"POST", "/api/v1/alerts/pale-12/crash-now/1/snooze", "", 204},
		{"POST", "/api/v1/alerts/pale-12/crash-now/1/acknowledge", "", 204},
		{"POST", "/api/v1/alerts/pale-12/crash-now/7/acknowledge", "", 404},
		{"GET", "/api/v1/sensors", "", 200},
		{"GET", "/api/v1/topics", "", 200},
		{"GET", "/api/v1/refusals", "", 200},
		{"GET", "/api/v1/health", "", 200},
		{"POST", "/api/v1/plan", `{"original_gravity":1.0155,"ceiling":"< 0.5","abv_rule":"hmrc","volume_litres":19,"temperature":20}`, 200},
		{"POST", "/api/v1/plan", `{"original_gravity":15.5,"ceiling":"0.5"}`, 422},
		{"POST", "/api/v1/plan", `{"original_gravity":1.0155,"ceiling":"none"}`, 422},
		{"GET", "/api/v1/quiet", "", 200},
		{"PUT", "/api/v1/quiet", `{"from":"22:30","to":"06:30"}`, 204},
		{"GET", "/api/v1/quiet", "", 200},
		{"PUT", "/api/v1/quiet", `{"from":"22.30","to":"06:30"}`, 422},
		{"DELETE", "/api/v1/quiet", "", 204},
		{"GET", "/api/v1/channels", "", 200},
		{"POST", "/api/v1/channels/lamp/test", "", 204},
		{"POST", "/api/v1/channels/pocket/test", "", 502},
		{"POST", "/api/v1/channels/none/test", "", 404},
		{"GET", "/api/v1/look-around", "", 200},
		{"POST", "/api/v1/look-around", "", 204},
		{"POST", "/api/v1/clock-is-right", "", 204},
		{"GET", "/api/v1/definitions", "", 200},
		{"PUT", "/api/v1/definitions/float-20", `{"topic":"cellar/float-20","time":"/ts","readings":[{"quantity":"gravity","pointer":"/g","unit":"sg","calibrated_at":20},{"quantity":"temperature","pointer":"/t","unit":"Cel"}]}`, 204},
		{"PUT", "/api/v1/definitions/float-21", `{"topic":"cellar/+/#/x","readings":[]}`, 422},
		{"PUT", "/api/v1/definitions/float-1", `{"topic":"cellar/float-1","readings":[{"quantity":"ph","pointer":""}]}`, 422},
		{"POST", "/api/v1/calibrations/fit", `{"sensor":"float-8","degree":2,"pairs":` + pairs + `}`, 200},
		{"POST", "/api/v1/calibrations", `{"sensor":"float-8","degree":1,"pairs":` + pairs + `}`, 201},
		{"POST", "/api/v1/calibrations", `{"sensor":"float-8","degree":1,"pairs":[]}`, 422},
		{"GET", "/api/v1/calibrations?sensor=float-8", "", 200},
		{"DELETE", "/api/v1/calibrations?sensor=float-8", "", 204},
		{"GET", "/api/v1/calibrations", "", 200},
		{"DELETE", "/api/v1/calibrations?sensor=none", "", 422},
		{"GET", "/api/v1/tokens", "", 401},
		{"POST", "/api/v1/tokens", `{"name":"x"}`, 401},
		{"DELETE", "/api/v1/tokens/x", "", 401},
	} {
		s.called(c, one.method, one.path, one.body, one.status)
	}
	var entries struct{ Entries []entryInfo }
	require.NoError(t, json.Unmarshal([]byte(s.called(c, "GET", b+"/entries", "", 200).body), &entries))
	s.called(c, "POST", fmt.Sprintf("%s/entries/%d/strike", b, entries.Entries[0].Seq), `{"key":"s"}`, 204)
	require.NoError(t, json.Unmarshal([]byte(s.called(c, "GET", b+"/entries", "", 200).body), &entries))
	require.True(t, entries.Entries[0].Struck)
	browser := c.loggedIn()
	for _, one := range [][3]string{{"GET", "/api/v1/tokens", ""}, {"POST", "/api/v1/tokens", `{"name":"lamp"}`}, {"GET", "/api/v1/tokens", ""}} {
		s.check(one[0], one[1], c.do(browser, c.request(one[0], one[1], one[2], "Content-Type", "application/json")))
	}
	all, err := c.server.tokens.all(t.Context(), noon)
	require.NoError(t, err)
	gone := "/api/v1/tokens/" + all[0].ID
	s.check("DELETE", gone, c.do(browser, c.request("DELETE", gone, "")))
	s.whatIf(t)
	for path, item := range s.doc["paths"].(map[string]any) {
		for method, op := range item.(map[string]any) {
			if method == "parameters" {
				continue
			}
			for code := range op.(map[string]any)["responses"].(map[string]any) {
				if code[0] == '2' {
					require.True(t, s.met[strings.ToUpper(method)+" "+path+" "+code], "never seen: %s %s %s", method, path, code)
				}
			}
		}
	}
}

// whatIf asks a cellar whose batches have a belief.
func (s *schemas) whatIf(t *testing.T) {
	t.Helper()
	const path = "/api/v1/batches/pale-12/what-if?hold=17&crash_at="
	c := whole(t, withSuppose(t))
	r := c.api(http.MethodGet, path+url.QueryEscape(noon.Add(5*time.Hour).Format(time.RFC3339)), "", c.token())
	require.Equal(s, http.StatusOK, r.status, r.body)
	s.check(http.MethodGet, path, r)
}

// The check of the document finds what it looks for.
func TestTheDocumentCheckCanFail(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	s := newSchemas(t, c)
	schema, err := s.compiler.Compile(schemaHome + "#/components/schemas/Estimate")
	require.NoError(t, err)
	for body, good := range map[string]bool{
		`{"time":"2026-03-05T18:30:00Z","gravity":1.01,"gravity_sd":0.0004,"abv":0.4,"abv_sd":0.06,"temperature":null}`:          true,
		`{"time":"yesterday","gravity":1.01,"gravity_sd":0.0004,"abv":0.4,"abv_sd":0.06,"temperature":null}`:                     false,
		`{"time":"2026-03-05T18:30:00Z","gravity":"1.01","gravity_sd":0.0004,"abv":0.4,"abv_sd":0.06,"temperature":null}`:        false,
		`{"time":"2026-03-05T18:30:00Z","gravity":1.01,"gravity_sd":0.0004,"abv":0.4,"abv_sd":0.06,"temperature":null,"more":1}`: false,
	} {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
		require.NoError(t, err)
		require.Equal(t, good, schema.Validate(v) == nil, body)
	}
}

// Page by page a list gives what it gives at once, each item once.
func TestListsComeInPages(t *testing.T) {
	t.Parallel()
	c := ended(t)
	for path, list := range map[string]string{
		"/api/v1/batches": "batches", "/api/v1/batches/wheat-7/entries": "entries", "/api/v1/alerts": "alerts", "/api/v1/sensors": "sensors",
		"/api/v1/topics": "topics", "/api/v1/refusals": "refusals", "/api/v1/definitions": "definitions", "/api/v1/channels": "channels",
		"/api/v1/batches/wheat-7/readings": "readings", "/api/v1/batches/wheat-7/estimates": "estimates",
	} {
		limit := "1"
		if list == "readings" || list == "estimates" {
			limit = "50"
		}
		var whole, parts []any
		for _, into := range []*[]any{&whole, &parts} {
			next := path + "?limit=1000"
			if into == &parts {
				next = path + "?limit=" + limit
			}
			for turn := 0; next != ""; turn++ {
				require.Less(t, turn, 200, path)
				r := c.api(http.MethodGet, next, "", "")
				require.Equal(t, http.StatusOK, r.status, r.body)
				var got map[string]any
				require.NoError(t, json.Unmarshal([]byte(r.body), &got))
				*into = append(*into, got[list].([]any)...)
				next = ""
				if link := r.header.Get("Link"); link != "" {
					require.Regexp(t, `^</api/v1/[^>]+>; rel="next"$`, link)
					next, _, _ = strings.Cut(link[1:], ">")
				}
			}
		}
		require.NotEmpty(t, whole, path)
		require.Equal(t, whole, parts, path)
	}
	gone := c.api(http.MethodGet, "/api/v1/batches?cursor=bm90aGluZw", "", "")
	require.Equal(t, http.StatusUnprocessableEntity, gone.status)
	require.Contains(t, gone.body, "begin without it")
}

// Whoever goes on by the last cursor gets each new reading, and gets it once.
func TestAScriptFollowsTheReadings(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	ask := func(cursor string) (n int, next string) {
		r := c.api(http.MethodGet, "/api/v1/batches/pale-12/readings?limit=10000&cursor="+cursor, "", "")
		require.Equal(t, http.StatusOK, r.status, r.body)
		var got struct {
			Readings []readingInfo
			Cursor   string
		}
		require.NoError(t, json.Unmarshal([]byte(r.body), &got))
		require.Empty(t, r.header.Get("Link"))
		return len(got.Readings), got.Cursor
	}
	n, cursor := ask("")
	require.NotZero(t, n)
	n, again := ask(cursor)
	require.Zero(t, n)
	require.Equal(t, cursor, again)
	require.NoError(t, c.journal.Record(t.Context(), reading(noon, 1.0101), nil))
	n, cursor = ask(cursor)
	require.Equal(t, 1, n)
	n, _ = ask(cursor)
	require.Zero(t, n)
}
