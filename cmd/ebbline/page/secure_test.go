package page

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// Every answer, also a refusal, forbids what is inline and what is foreign.
func TestEveryAnswerCarriesThePolicy(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.loggedIn()
	for _, path := range append([]string{"/login", "/welcome", "/password", "/api/v1/batches", "/api/v1/none", "/batch/wheat-7/export/record.csv", "/assets/page.css", "/assets/none"}, everyPage...) {
		r := c.get(b, path)
		p := r.header.Get("Content-Security-Policy")
		require.Contains(t, p, "default-src 'none'", path)
		require.NotContains(t, p, "unsafe", path)
		require.Equal(t, "nosniff", r.header.Get("X-Content-Type-Options"), path)
		require.Equal(t, "DENY", r.header.Get("X-Frame-Options"), path)
		require.NotContains(t, r.body, " style=", path)
		require.NotRegexp(t, `<script(\s+type="module")?>`, r.body, path)
	}
}

// Whatever path is asked for, no file but the page's own is read.
func TestNoPathLeadsOutside(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	for _, path := range []string{
		"/assets/../page.go", "/assets/..%2fpage.go", "/assets/%2e%2e/page.go", "/assets/..%5cpage.go", "/assets//etc/passwd", "/assets/%00",
		"/assets/..", "/../../etc/passwd", "/assets/vendor/../../templates/frame.html", "/batch/..%2f..%2fetc/export/batch.json",
		"/batch/pale-12/export/..%2f..%2febbline.db", "/batch/pale-12/export/%2e%2e", "/a/..%2f..%2fetc", "/api/v1/batches/..%2f..%2fx",
		"/batch/pale-12/..", "/assets/vendor/",
	} {
		r := c.do(b, func() *http.Request {
			q := c.request(http.MethodGet, "/", "")
			u, err := url.Parse(c.http.URL + path)
			require.NoError(t, err)
			q.URL = u
			return q
		}())
		require.Contains(t, []int{http.StatusNotFound, http.StatusBadRequest}, r.status, path)
		for _, secret := range []string{"package page", "root:", "SQLite format", "{{define"} {
			require.NotContains(t, r.body, secret, path)
		}
	}
}

// A body that is larger than anything meant is refused on every route that reads
// one, whether its length is told or not, and nothing is entered.
func TestOversizeBodiesAreRefused(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	before, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	big := "text=" + strings.Repeat("x", largestBatch+1)
	for _, one := range c.server.routes() {
		method, path, _ := strings.Cut(one.pattern, " ")
		if method != http.MethodPost && method != http.MethodPut {
			continue
		}
		path = strings.NewReplacer("{id}", "pale-12", "{form}", "note", "{token}", "tok-urgent", "{kind}", "crash-now", "{n}", "1", "{seq}", "1", "{name}", "lamp").Replace(path)
		for _, told := range []bool{true, false} {
			r := c.request(method, path, big, "Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html", "Authorization", "Bearer "+c.token())
			if strings.HasPrefix(path, "/api/") {
				r.Header.Set("Content-Type", "application/json")
			}
			if !told {
				r.Body, r.ContentLength = io.NopCloser(strings.NewReader(big)), -1
			}
			res, err := b.Do(r)
			if err != nil {
				continue // cut off while it was still sending
			}
			_ = res.Body.Close()
			if told {
				require.Equal(t, http.StatusRequestEntityTooLarge, res.StatusCode, one.pattern)
			}
			if strings.HasPrefix(path, "/batch/") || strings.HasPrefix(path, "/new") {
				require.GreaterOrEqual(t, res.StatusCode, 400, one.pattern)
			}
		}
	}
	after, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// Who guesses gains nothing by lying about where they come from; who comes
// through a proxy that is believed is told apart from the others behind it.
func TestGuessersAreToldApart(t *testing.T) {
	t.Parallel()
	at := func(remote string, forwarded ...string) *http.Request {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/login", nil)
		r.RemoteAddr = remote
		for _, f := range forwarded {
			r.Header.Add("X-Forwarded-For", f)
		}
		return r
	}
	c := newCellar(t, func(o *Options) { o.Proxies = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/28")} })
	for name, one := range map[string]struct {
		r    *http.Request
		want string
	}{
		"straight":                      {at("198.51.100.7:4000"), "198.51.100.7"},
		"a liar":                        {at("198.51.100.7:4000", "203.0.113.9"), "198.51.100.7"},
		"proxy here":                    {at("127.0.0.1:4000", "203.0.113.9"), "203.0.113.9"},
		"proxy of the configuration":    {at("192.0.2.3:4000", "203.0.113.9"), "203.0.113.9"},
		"not quite that proxy":          {at("192.0.2.16:4000", "203.0.113.9"), "192.0.2.16"},
		"a liar behind a proxy":         {at("127.0.0.1:4000", "10.9.9.9, 203.0.113.9"), "203.0.113.9"},
		"a liar behind, two headers":    {at("127.0.0.1:4000", "10.9.9.9", "203.0.113.9"), "203.0.113.9"},
		"two proxies":                   {at("127.0.0.1:4000", "203.0.113.9, 192.0.2.3"), "203.0.113.9"},
		"nonsense":                      {at("127.0.0.1:4000", "nobody"), "127.0.0.1"},
		"v6 with a port":                {at("127.0.0.1:4000", "[2001:db8::5]:812"), "2001:db8::5"},
		"v4 written as v6":              {at("[::ffff:127.0.0.1]:4000", "::ffff:203.0.113.9"), "203.0.113.9"},
		"the proxy itself, no forwards": {at("127.0.0.1:4000"), "127.0.0.1"},
	} {
		require.Equal(t, one.want, c.server.asker(one.r).String(), name)
	}
	c.server.opts.Wall = func() time.Time { return noon }
	guess := func(client *http.Client, from string) int {
		return c.post(client, "/login", url.Values{"password": {"guess"}}, "X-Forwarded-For", from).status
	}
	b := c.browser()
	for i := range 5 {
		require.Equal(t, http.StatusForbidden, guess(b, fmt.Sprintf("10.0.0.%d, 203.0.113.9", i)))
	}
	require.Equal(t, http.StatusTooManyRequests, guess(b, "10.0.0.99, 203.0.113.9"))
	require.Equal(t, http.StatusForbidden, guess(b, "203.0.113.10"), "another one behind the same proxy may still try")
}

// Only a proxy that is believed can say that the browser came by https.
func TestOnlyABelievedProxySaysHTTPS(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.Proxies = []netip.Prefix{netip.MustParsePrefix("192.0.2.3/32")} })
	for remote, want := range map[string]bool{"127.0.0.1:4": true, "192.0.2.3:4": true, "192.0.2.4:4": false, "198.51.100.7:4": false} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1/", nil)
		r.RemoteAddr = remote
		r.Header.Set("X-Forwarded-Proto", "https")
		require.Equal(t, want, c.server.overTLS(r), remote)
	}
	// A foreign name stays foreign, whoever says it.
	r := c.request(http.MethodGet, "/login", "", "X-Forwarded-Host", "127.0.0.1")
	r.Host = "evil.example"
	require.Equal(t, http.StatusMisdirectedRequest, c.do(c.browser(), r).status)
}

// pemFiles writes a certificate for a name; the files are replaced as a whole.
func pemFiles(t *testing.T, dir, name string) (cert, key string, leaf *x509.Certificate) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	about := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, about, about, k.Public(), k)
	require.NoError(t, err)
	raw, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(t, err)
	write := func(file, kind string, b []byte) string {
		file = filepath.Join(dir, file)
		require.NoError(t, os.WriteFile(file+".new", pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}), 0o600))
		require.NoError(t, os.Rename(file+".new", file))
		return file
	}
	leaf, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	return write("page.crt", "CERTIFICATE", der), write("page.key", "PRIVATE KEY", raw), leaf
}

// The page speaks TLS by its own files and takes up new ones without a restart;
// broken ones leave it with the old ones.
func TestCertificateIsTakenUpWhenItChanges(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cert, key, first := pemFiles(t, dir, "first")
	now := time.Now()
	made := &certificate{certFile: cert, keyFile: key, now: func() time.Time { return now }, log: slog.New(slog.DiscardHandler)}
	require.NoError(t, made.load())
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "hello") }))
	server.TLS = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return made.current(), nil }}
	server.StartTLS()
	defer server.Close()
	served := func(trust *x509.Certificate) (string, error) {
		pool := x509.NewCertPool()
		pool.AddCert(trust)
		d := &tls.Dialer{Config: &tls.Config{RootCAs: pool, ServerName: "localhost", MinVersion: tls.VersionTLS12}}
		conn, err := d.DialContext(t.Context(), "tcp", server.Listener.Addr().String())
		if err != nil {
			return "", err
		}
		defer func() { _ = conn.Close() }()
		return conn.(*tls.Conn).ConnectionState().PeerCertificates[0].Subject.CommonName, nil
	}
	name, err := served(first)
	require.NoError(t, err)
	require.Equal(t, "first", name)
	_, _, second := pemFiles(t, dir, "second")
	now = now.Add(certificateLook)
	name, err = served(second)
	require.NoError(t, err)
	require.Equal(t, "second", name)
	require.NoError(t, os.WriteFile(key, []byte("broken"), 0o600))
	now = now.Add(certificateLook)
	name, err = served(second)
	require.NoError(t, err)
	require.Equal(t, "second", name, "the old one goes on")
	_, err = TLS("page", cert, key, nil)
	require.ErrorContains(t, err, "page.key")
	_, err = TLS("page", filepath.Join(dir, "none"), key, nil)
	require.ErrorContains(t, err, "page.cert_file")
}

// Who begins is led to the first steps, and to a password of their own; changing it
// logs every other browser out.
func TestFirstStepsAndAPasswordOfOnesOwn(t *testing.T) {
	t.Parallel()
	kept := ""
	c := newCellar(t, func(o *Options) {
		o.Wall = func() time.Time { return noon }
		o.KeepPassword = func(_ context.Context, hash string) error { kept = hash; return nil }
	})
	first, second := c.browser(), c.browser()
	logIn := func(b *http.Client, word string) reply {
		return c.post(b, "/login", url.Values{"password": {word}, "to": {"/sensors"}})
	}
	require.Equal(t, "/sensors", logIn(first, password).header.Get("Location"))
	require.Contains(t, c.get(first, "/").body, `href="/welcome"`)
	require.Equal(t, "/sensors", logIn(second, password).header.Get("Location"))
	require.Contains(t, c.get(first, "/welcome").body, "Choose a password of your own")

	change := func(old, next, again string) reply {
		return c.post(first, "/password", url.Values{"old": {old}, "new": {next}, "again": {again}})
	}
	require.Contains(t, change(password, "short", "short").body, "10 characters at least")
	require.Contains(t, change(password, "four words in a row", "four words in a raw").body, "not the same")
	wrong := change("not this one", "four words in a row", "four words in a row")
	require.Equal(t, http.StatusForbidden, wrong.status)
	require.Contains(t, wrong.body, "not the password in use")
	require.NotContains(t, wrong.body, "four words", "a password is never shown again")
	require.Empty(t, kept)
	require.Equal(t, "/access?done=password", change(password, "four words in a row", "four words in a row").header.Get("Location"))
	good, err := checkPassword(kept, "four words in a row")
	require.NoError(t, err)
	require.True(t, good)
	require.Equal(t, http.StatusOK, c.get(first, "/sensors").status, "who changed it stays")
	require.Equal(t, http.StatusSeeOther, c.get(second, "/sensors").status, "the others are logged out")
	require.Equal(t, http.StatusForbidden, change("guess", "four words in a row", "four words in a row").status)
	require.Equal(t, http.StatusTooManyRequests, change("guess", "four words in a row", "four words in a row").status, "guessing here is as slow as at the login")
}

// The whole of the first run by thumb, in Chromium, from the printed password on.
func TestFirstRunInTheBrowser(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.KeepPassword = func(context.Context, string) error { return nil } })
	b := c.open(t, chromium(t))
	for _, path := range []string{"/welcome", "/password"} {
		b.visit(t, path)
		b.looksRight(t, "first_"+shotName(path))
	}
	b.do(t, chromedp.SendKeys(chromedp.CSS("#old"), password), chromedp.SendKeys(chromedp.CSS("#new"), "four words in a row"),
		chromedp.SendKeys(chromedp.CSS("#again"), "four words in a row\r"))
	b.until(t, `document.body.textContent.includes("The password is changed.")`)
	require.Empty(t, b.faults())
}
