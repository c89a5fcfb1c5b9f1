package main

import (
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Who has forgotten the password gets a new one at the machine itself; the old
// one and every browser that it let in are shut out. A running daemon keeps its
// password.
func TestAForgottenPasswordIsReplaced(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	first := firstPassword(t, p)
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	browser := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	logIn := func(password string) int {
		r, err := browser.PostForm(p.page+"/login", url.Values{"password": {password}})
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		return r.StatusCode
	}
	require.Equal(t, http.StatusSeeOther, logIn(first))

	code, _, stderr := ebbline(t, "", "password", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "stop that ebbline first")
	p.term()
	code, out, stderr := ebbline(t, "", "password", "--config", h.config(t))
	require.Equal(t, exitDone, code, stderr)
	_, rest, _ := strings.Cut(out, "The new password of the page is ")
	second, _, _ := strings.Cut(rest, ".")
	require.Len(t, second, 16)

	p = h.serve(t)
	requireReadyWithin10s(t, p)
	require.NotContains(t, p.stderr.String(), "The password of the page is")
	r, err := browser.Get(p.page + "/")
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, "/login?to=%2F", r.Header.Get("Location"), "the browser is logged out")
	require.Equal(t, http.StatusForbidden, logIn(first))
	require.Equal(t, http.StatusSeeOther, logIn(second))
	p.term()
}

func TestNoPasswordWithoutARecord(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	code, _, stderr := ebbline(t, "", "password", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "there is no record in "+h.data)
}
