package page

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

func TestEveryPageIsShown(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	for path, words := range map[string][]string{
		"/":                      {"Lantern pale 12", "Start the crash by 18:55", "Weir amber 3", "Cellar stout 2", "ebbline is well"},
		"/batch/pale-12":         {"Start the crash by 18:55", "equally likely", "I have seen it", "Attenuation", "pH 4.12", "pH above 4.0", "estimate, not a legal measurement"},
		"/batch/amber-3":         {"Nothing to do before Friday"},
		"/batch/stout-2":         {"Packaged", "Kegged"},
		"/batch/pale-12/sample":  {`<label for="gravity">Gravity`},
		"/batch/pale-12/crash":   {"The crash has started", "Cold slows yeast and germs and kills neither"},
		"/batch/pale-12/package": {"Bottles", "Not for people who must avoid alcohol", "can burst", "Cold slows yeast and germs and kills neither", "pH above 4.0"},
		"/batch/pale-12/note":    {"Keep the note"},
		"/new":                   {"Original gravity", "does not protect itself"},
		"/new/file":              {"original_gravity", "does not protect itself"},
		"/batch/pale-12/record":  {"Sample: 1.0116 SG, pH 4.12", "Strike out"},
		"/phone":                 {"Send a test", "Quiet hours"},
		"/sensors":               {"attic/unknown", "not-json"},
		"/access":                {"Make a token"},
		"/a/tok-urgent":          {"Start the crash now", "Remind me in an hour", "The crash has started"},
	} {
		r := c.get(b, path)
		require.Equal(t, http.StatusOK, r.status, path)
		for _, w := range words {
			require.Contains(t, r.body, w, path)
		}
	}
}

// A demo is open to everyone on its machine: no login, and all can be done.
func TestAnOpenDemoAsksForNoLogin(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) { o.Open, o.PasswordHash = true, "" })
	b := c.browser()
	require.Equal(t, http.StatusOK, c.get(b, "/batch/pale-12").status)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/crash", nil).status)
	require.Equal(t, http.StatusSeeOther, c.get(b, "/login").status)
	require.Equal(t, http.StatusNoContent, c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"note","text":"x"}`, "").status)
	require.Equal(t, http.StatusForbidden, c.post(b, "/batch/pale-12/note", nil, "Origin", "http://evil.example").status)
}

// Without a password nobody gets in, and the page says what to do.
func TestNoPasswordNoLogin(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.PasswordHash = "" })
	r := c.post(c.browser(), "/login", url.Values{"password": {""}})
	require.Equal(t, http.StatusForbidden, r.status)
	require.Contains(t, r.body, "No password is set")
}

func TestOptionsAreChecked(t *testing.T) {
	t.Parallel()
	_, err := New(Options{})
	require.ErrorContains(t, err, "needed")
	c := newCellar(t, nil)
	o := c.server.opts
	for _, bad := range []string{"cellar.example", "ftp://cellar.example", "https://", "::"} {
		o.PublicURL = bad
		_, err := New(o)
		require.ErrorContains(t, err, "public_url", bad)
	}
}

// A journal that cannot be read is said to be so, without telling strangers
// what went wrong.
func TestAClosedJournalIsSaid(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) { o.Open = true })
	o := c.server.opts
	j, err := journal.Open(t.TempDir(), journal.Options{})
	require.NoError(t, err)
	o.Journal = j
	s, err := New(o)
	require.NoError(t, err)
	require.NoError(t, j.Close())
	for path, kind := range map[string]string{"/": "text/html; charset=utf-8", "/api/v1/batches": "application/problem+json"} {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil))
		require.GreaterOrEqual(t, w.Code, 500, path)
		require.Equal(t, kind, w.Header().Get("Content-Type"), path)
		require.NotContains(t, w.Body.String(), "sql")
	}
}

// The line of a finished batch says how it ended.
func TestAFinishedBatchSaysHowItEnded(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	require.NoError(t, c.deeds.Packaged(t.Context(), "amber-3", Package{Time: noon, Into: "bottle"}))
	body := c.get(c.loggedIn(), "/").body
	require.Contains(t, body, "packaged today 18:30 · 0.07 ± 0.06 % ABV")
	require.Contains(t, body, "packaged 25 Feb 10:30 · no estimate")
}
