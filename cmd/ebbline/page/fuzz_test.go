package page

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// fuzzed is a cellar in which a body may be sent to any route that reads one.
func fuzzed(f *testing.F) (*cellar, []string) {
	f.Helper()
	c := newCellar(f, func(o *Options) { o.Open, o.Logger = true, nil })
	c.start(pale())
	var paths []string
	for _, one := range c.server.routes() {
		method, path, _ := strings.Cut(one.pattern, " ")
		if method != http.MethodPost && method != http.MethodPut || path == "/login" || path == "/welcome" || path == "/password" {
			continue // hashing a password takes too long here
		}
		for _, form := range []string{"sample", "crash", "package", "note", "sensors"} {
			p := method + " " + strings.NewReplacer("{id}", "pale-12", "{form}", form, "{token}", "tok", "{kind}", "crash-now", "{n}", "1", "{seq}", "1", "{name}", "lamp").Replace(path)
			paths = append(paths, p)
			if !strings.Contains(path, "{form}") {
				break
			}
		}
	}
	require.Greater(f, len(paths), 10)
	return c, paths
}

// answered sends a body and checks that the answer is one to a person or a
// script, never a breakdown.
func (c *cellar) answered(t *testing.T, route, kind, body string) {
	t.Helper()
	method, path, _ := strings.Cut(route, " ")
	r := httptest.NewRequest(method, "http://127.0.0.1"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Accept", "text/html")
	w := httptest.NewRecorder()
	c.server.Handler().ServeHTTP(w, r)
	require.Less(t, w.Code, 500, "%s with %q: %s", route, body, w.Body)
	if strings.HasPrefix(w.Header().Get("Content-Type"), "text/") {
		require.True(t, utf8.Valid(w.Body.Bytes()), route)
	}
	require.NotContains(t, w.Body.String(), "<script>fuzz", route)
}

// FuzzForms: any body on any form, of the page or of an answer link.
func FuzzForms(f *testing.F) {
	c, paths := fuzzed(f)
	for i := range paths {
		f.Add(uint8(i), "gravity=1.0115&temperature=18&time=2026-03-05T18%3A00&ph=3.9&text=%3Cscript%3Efuzz&name=x&offer=gravity|1.0|1")
	}
	f.Add(uint8(0), "gravity=%ff%00&=&&&;%zz")
	f.Fuzz(func(t *testing.T, which uint8, body string) {
		route := paths[int(which)%len(paths)]
		if strings.Contains(route, " /api/") {
			route = paths[0]
		}
		c.answered(t, route, "application/x-www-form-urlencoded", body)
	})
}

// FuzzAPI: any body on any path of the API.
func FuzzAPI(f *testing.F) {
	c, paths := fuzzed(f)
	for i := range paths {
		f.Add(uint8(i), `{"action":"sample","gravity":1.0115,"time":"2026-03-05T18:00:00Z","name":"x","topic":"a/b","degree":1,"pairs":[[25,1.0],[40,1.01]]}`)
	}
	f.Add(uint8(0), `{"action":{"action":[]},"gravity":1e999}`)
	f.Fuzz(func(t *testing.T, which uint8, body string) {
		route := paths[int(which)%len(paths)]
		if !strings.Contains(route, " /api/") {
			route = paths[len(paths)-1]
		}
		c.answered(t, route, "application/json", body)
	})
}
