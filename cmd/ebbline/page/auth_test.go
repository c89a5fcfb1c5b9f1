package page

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestPasswordHash(t *testing.T) {
	t.Parallel()
	hash, err := HashPassword("wort chiller")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$"), hash)
	for word, want := range map[string]bool{"wort chiller": true, "wort chille": false, "": false, strings.Repeat("x", 5000): false} {
		ok, err := checkPassword(hash, word)
		require.NoError(t, err)
		require.Equal(t, want, ok, word)
	}
	other, err := HashPassword("wort chiller")
	require.NoError(t, err)
	require.NotEqual(t, hash, other, "each hash has its own salt")
	_, err = HashPassword("")
	require.Error(t, err)
	for _, broken := range []string{"", "plain", "$argon2id$v=19$m=999999999,t=2,p=1$AAAA$AAAA", "$argon2id$v=19$m=19456,t=0,p=1$AAAA$AAAA", "$argon2i$v=19$m=1,t=1,p=1$AAAA$AAAA"} {
		_, err := checkPassword(broken, "x")
		require.ErrorIs(t, err, errHash, broken)
	}
}

// referenceHash was made with the command of the reference implementation
// (Debian package argon2):
// printf 'password' | argon2 somesalt -id -t 2 -k 19456 -p 1 -l 32 -e
const referenceHash = "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHQ$PL01amPyeUuxG7H0vIr5X+qHkZvWnHmGBGXFYvh8z2E"

func TestPasswordHashAgainstTheReferenceImplementation(t *testing.T) {
	t.Parallel()
	ok, err := checkPassword(referenceHash, "password")
	require.NoError(t, err)
	require.True(t, ok)
}

func TestPagesAskForALogin(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.browser()
	for _, path := range []string{"/", "/batch/pale-12", "/batch/pale-12/sample", "/new", "/sensors", "/access", "/events"} {
		r := c.get(b, path)
		require.Equal(t, http.StatusSeeOther, r.status, path)
		require.Equal(t, "/login?to="+url.QueryEscape(path), r.header.Get("Location"))
		require.NotContains(t, r.body, "Lantern")
	}
	for _, path := range []string{"/batch/pale-12/sample", "/batch/pale-12/crash", "/new", "/alert", "/access"} {
		r := c.post(b, path, url.Values{"alert": {"pale-12/crash-now/1"}, "gravity": {"1.010"}, "name": {"x"}})
		require.Equal(t, http.StatusForbidden, r.status, path)
	}
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 2, "nothing was entered")
}

func TestLogInAndOut(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.browser()
	r := c.post(b, "/login", url.Values{"password": {"wrong"}, "to": {"/sensors"}})
	require.Equal(t, http.StatusForbidden, r.status)
	require.Contains(t, r.body, "That is not the password")
	require.Empty(t, r.header.Values("Set-Cookie"))

	r = c.post(b, "/login", url.Values{"password": {password}, "to": {"/sensors"}})
	require.Equal(t, http.StatusSeeOther, r.status)
	require.Equal(t, "/sensors", r.header.Get("Location"))
	cookie := r.header.Get("Set-Cookie")
	require.Contains(t, cookie, "HttpOnly")
	require.Contains(t, cookie, "SameSite=Lax")
	require.NotContains(t, cookie, "Secure", "over plain HTTP a Secure cookie would be dropped")
	require.Equal(t, http.StatusOK, c.get(b, "/sensors").status)

	at, err := url.Parse(c.http.URL)
	require.NoError(t, err)
	old := b.Jar.Cookies(at)[0]
	require.Equal(t, http.StatusSeeOther, c.post(b, "/logout", nil).status)
	require.Equal(t, http.StatusSeeOther, c.get(b, "/").status)
	stolen := c.get(c.browser(), "/", "Cookie", old.Name+"="+old.Value)
	require.Equal(t, http.StatusSeeOther, stolen.status, "a session that was ended is worth nothing")
}

// A session that was planted in the browser before the login is not the one
// that the login makes.
func TestSessionFixation(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	r := c.post(c.browser(), "/login", url.Values{"password": {password}}, "Cookie", cookieName+"=planted")
	require.Equal(t, http.StatusSeeOther, r.status)
	require.NotContains(t, r.header.Get("Set-Cookie"), "planted")
	require.Equal(t, http.StatusSeeOther, c.get(c.browser(), "/", "Cookie", cookieName+"=planted").status)
}

// A session outlives the daemon, and ends after thirty days.
func TestSessionsOutliveARestartAndEnd(t *testing.T) {
	t.Parallel()
	wall := noon
	change := func(o *Options) { o.Wall = func() time.Time { return wall } }
	c := whole(t, change)
	b := c.loggedIn()
	at, err := url.Parse(c.http.URL)
	require.NoError(t, err)
	cookie := b.Jar.Cookies(at)[0]
	o := c.server.opts
	again, err := New(o)
	require.NoError(t, err)
	ask := func() int {
		r := httptest.NewRequest(http.MethodGet, c.http.URL+"/sensors", nil)
		r.AddCookie(cookie)
		w := httptest.NewRecorder()
		again.Handler().ServeHTTP(w, r)
		return w.Code
	}
	require.Equal(t, http.StatusOK, ask())
	wall = wall.Add(sessionLife)
	require.Equal(t, http.StatusSeeOther, ask())
	text, _, err := c.journal.Get(t.Context(), "page.sessions")
	require.NoError(t, err)
	require.NotContains(t, text, cookie.Value, "only the hash is kept")
}

func TestSecureCookieBehindHTTPS(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) { o.PublicURL = "https://cellar.example" })
	r := c.request(http.MethodPost, "/login", url.Values{"password": {password}}.Encode(), "Content-Type", "application/x-www-form-urlencoded", "Origin", "https://cellar.example")
	r.Host = "cellar.example"
	got := c.do(c.browser(), r)
	require.Equal(t, http.StatusSeeOther, got.status, got.body)
	require.Contains(t, got.header.Get("Set-Cookie"), "Secure")
}

func TestGuessingIsSlowedDown(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) { o.Wall = func() time.Time { return noon } })
	b := c.browser()
	for range 5 {
		require.Equal(t, http.StatusForbidden, c.post(b, "/login", url.Values{"password": {"guess"}}).status)
	}
	r := c.post(b, "/login", url.Values{"password": {password}})
	require.Equal(t, http.StatusTooManyRequests, r.status, "even the right one has to wait")
	require.Equal(t, "10", r.header.Get("Retry-After"))
}

func TestNoLoginLeadsAway(t *testing.T) {
	t.Parallel()
	for to, want := range map[string]string{
		"/batch/x": "/batch/x", "": "/", "//evil.example": "/", "https://evil.example/": "/", `/\evil.example`: "/",
		"javascript:alert(1)": "/", "/a\nb": "/", "batch": "/", "/x?y=//z": "/x?y=//z",
	} {
		require.Equal(t, want, inside(to), to)
	}
}

func TestOtherSitesCannotWrite(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	for name, header := range map[string][]string{
		"by Sec-Fetch-Site": {"Sec-Fetch-Site", "cross-site"},
		"by Origin":         {"Origin", "http://evil.example"},
		"by null origin":    {"Origin", "null"},
	} {
		for _, path := range []string{"/batch/pale-12/crash", "/alert", "/access", "/logout", "/login"} {
			r := c.post(b, path, url.Values{"alert": {"pale-12/crash-now/1"}}, header...)
			require.Equal(t, http.StatusForbidden, r.status, "%s %s", name, path)
		}
	}
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 2)
}

// DNS rebinding: a foreign name that points here must read nothing.
func TestOnlyOurNamesAreAnswered(t *testing.T) {
	t.Parallel()
	c := whole(t, func(o *Options) { o.PublicURL, o.Hosts = "http://cellar.example:8080", []string{"brewpi.lan"} })
	for host, want := range map[string]int{
		"127.0.0.1:8080": http.StatusOK, "localhost": http.StatusOK, "[::1]:80": http.StatusOK, "192.168.1.7:8080": http.StatusOK,
		"cellar.example:8080": http.StatusOK, "CELLAR.example": http.StatusOK, "brewpi.lan": http.StatusOK, "a.localhost": http.StatusOK,
		"evil.example": http.StatusMisdirectedRequest, "127.0.0.1.evil.example": http.StatusMisdirectedRequest,
		"cellar.example.evil.example": http.StatusMisdirectedRequest, "localhost.evil.example:8080": http.StatusMisdirectedRequest,
	} {
		r := c.request(http.MethodGet, "/login", "")
		r.Host = host
		require.Equal(t, want, c.do(c.browser(), r).status, host)
	}
}

// Reads without a login are for programs on this machine that ask directly.
func TestWhoMayReadTheAPI(t *testing.T) {
	t.Parallel()
	for name, one := range map[string]struct {
		remote, host, header string
		public               string
		want                 int
	}{
		"program here":          {"127.0.0.1:5000", "127.0.0.1:8080", "", "", 200},
		"by name":               {"[::1]:5000", "localhost:8080", "", "", 200},
		"public is here too":    {"127.0.0.1:5000", "127.0.0.1:8080", "", "http://localhost:8080", 200},
		"from the network":      {"192.168.1.9:5000", "192.168.1.7:8080", "", "", 401},
		"network, lying host":   {"192.168.1.9:5000", "127.0.0.1:8080", "", "", 401},
		"proxy that says so":    {"127.0.0.1:5000", "127.0.0.1:8080", "X-Forwarded-For", "", 401},
		"proxy that says less":  {"127.0.0.1:5000", "192.168.1.7:8080", "", "", 401},
		"published by a proxy":  {"127.0.0.1:5000", "127.0.0.1:8080", "", "https://cellar.example", 401},
		"published, right name": {"127.0.0.1:5000", "cellar.example", "", "https://cellar.example", 401},
	} {
		t.Run(name, func(t *testing.T) {
			c := newCellar(t, func(o *Options) { o.PublicURL = one.public })
			r := httptest.NewRequest(http.MethodGet, "http://x/api/v1/batches", nil)
			r.RemoteAddr, r.Host = one.remote, one.host
			if one.header != "" {
				r.Header.Set(one.header, "192.168.1.9")
			}
			w := httptest.NewRecorder()
			c.server.Handler().ServeHTTP(w, r)
			require.Equal(t, one.want, w.Code)
		})
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	r := c.post(b, "/access", url.Values{"name": {""}})
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	r = c.post(b, "/access", url.Values{"name": {"kegerator script"}})
	require.Equal(t, http.StatusOK, r.status)
	_, rest, ok := strings.Cut(r.body, `<p class="token"><code>`)
	require.True(t, ok)
	word, _, _ := strings.Cut(rest, "<")
	require.NotContains(t, c.get(b, "/access").body, word, "shown once")

	require.Equal(t, http.StatusUnauthorized, c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"note","text":"x"}`, "").status)
	require.Equal(t, http.StatusUnauthorized, c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"note","text":"x"}`, word+"x").status)
	require.Equal(t, http.StatusNoContent, c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"note","text":"x"}`, word).status)
	require.Equal(t, http.StatusUnauthorized, c.api(http.MethodPost, "/api/v1/tokens", `{"name":"child"}`, word).status, "a token makes no tokens")

	all, err := c.server.tokens.all(t.Context(), noon)
	require.NoError(t, err)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/access", url.Values{"remove": {all[0].ID}}).status)
	require.Equal(t, http.StatusUnauthorized, c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"note","text":"x"}`, word).status)
}
