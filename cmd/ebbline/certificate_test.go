package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The page speaks TLS by the configuration's own files, its cookie is Secure then,
// and a password that was changed on it is the one after a restart.
func TestOwnCertificateAndPasswordOutlastARestart(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	about := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"localhost"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, about, about, key.Public(), key)
	require.NoError(t, err)
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certFile, keyFile := filepath.Join(h.dir, "page.crt"), filepath.Join(h.dir, "page.key")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw}), 0o600))
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	client := func() *http.Client {
		jar, err := cookiejar.New(nil)
		require.NoError(t, err)
		return &http.Client{
			Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
			Transport: &http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{RootCAs: pool, ServerName: "localhost", MinVersion: tls.VersionTLS12}},
		}
	}
	text := fmt.Sprintf("data: %s\nmqtt: {listen: %q}\npage: {listen: %q, cert_file: %q, key_file: %q, proxies: [192.0.2.0/24]}\n", h.data, h.mqtt, h.page, certFile, keyFile)
	config := filepath.Join(h.dir, "tls.yaml")
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	serve := func() (*process, *http.Client) {
		p := &process{t: t, cmd: program(t, "serve", "--config", config), stderr: &lockedBuffer{}, page: "https://" + h.page}
		p.cmd.Stdout, p.cmd.Stderr = p.stderr, p.stderr
		require.NoError(t, p.cmd.Start())
		t.Cleanup(p.kill)
		c := client()
		require.Eventually(t, func() bool {
			r, err := c.Get(p.page + "/healthz")
			if err != nil {
				return false
			}
			_ = r.Body.Close()
			return r.StatusCode == http.StatusOK
		}, longEnough, 20*time.Millisecond, "%s", p.stderr)
		require.Eventually(t, func() bool { return strings.Contains(p.stderr.String(), "page https://") }, time.Minute, 10*time.Millisecond)
		return p, c
	}
	post := func(p *process, c *http.Client, path string, v url.Values) *http.Response {
		r, err := c.PostForm(p.page+path, v)
		require.NoError(t, err)
		_, err = io.Copy(io.Discard, r.Body)
		require.NoError(t, err)
		_ = r.Body.Close()
		return r
	}
	p, c := serve()
	_, rest, ok := strings.Cut(p.stderr.String(), "The password of the page is ")
	require.True(t, ok, p.stderr)
	first, _, _ := strings.Cut(rest, ".")
	in := post(p, c, "/login", url.Values{"password": {first}})
	require.Equal(t, http.StatusSeeOther, in.StatusCode)
	require.Equal(t, 2, in.ProtoMajor)
	require.Contains(t, in.Header.Get("Set-Cookie"), "Secure")
	const own = "four words in a row"
	require.Equal(t, http.StatusSeeOther, post(p, c, "/password", url.Values{"old": {first}, "new": {own}, "again": {own}}).StatusCode)
	p.kill()
	p, c = serve()
	require.NotContains(t, p.stderr.String(), "The password of the page is")
	require.Equal(t, http.StatusForbidden, post(p, c, "/login", url.Values{"password": {first}}).StatusCode)
	require.Equal(t, http.StatusSeeOther, post(p, c, "/login", url.Values{"password": {own}}).StatusCode)
}
