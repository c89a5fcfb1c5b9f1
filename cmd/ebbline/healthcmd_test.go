package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/deploy/porttest"
)

// TestHealthSaysHowTheDaemonIs asks a real daemon, one whose broker is gone, one
// that is not there, and a stranger.
func TestHealthSaysHowTheDaemonIs(t *testing.T) {
	t.Parallel()
	h := newResidence(t)
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	var code int
	var out, stderr string
	until := func(says string) { // it gives a daemon five seconds to answer
		t.Helper()
		require.Eventually(t, func() bool {
			code, out, stderr = ebbline(t, "", "health", "--config", h.config(t))
			return strings.Contains(out, says)
		}, longEnough, 20*time.Millisecond, says)
	}
	until("note     channel")
	require.Equal(t, exitDone, code, stderr)
	const main = "well     journal  The record can be written.\nwell     broker   Readings can arrive.\nwell     watches  Every batch is watched.\n"
	require.Equal(t, main+"note     channel  No phone is set up: alerts are only on this page. Add notify to the configuration.\n", out)

	// What the page shows as trouble is shown and counted, to who may read the data folder.
	require.NoError(t, os.MkdirAll(filepath.Join(h.data, "batches"), 0o700))
	file := filepath.Join(h.data, "batches", "vat.yaml")
	require.NoError(t, os.WriteFile(file, []byte("batch:\n  name: vat\n"), 0o600))
	until("TROUBLE  batch-file " + file + ":2:3: ")
	require.Contains(t, out, "\n1 thing is not well.\n")
	require.Equal(t, exitDone, code, "a container must not be restarted for it")
	r, err := http.Get("http://" + h.page + "/readyz")
	require.NoError(t, err)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.NotContains(t, string(body), "vat.yaml", "not to everybody")
	require.NoError(t, os.Remove(file))
	key := filepath.Join(h.data, healthKeyFile)
	info, err := os.Stat(key)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoError(t, os.Rename(key, key+".away"))
	until("note     There may be more")
	require.Equal(t, main+"note     There may be more: to show all that the page shows, run this as a user who may read "+h.data+".\n", out)
	require.NoError(t, os.Rename(key+".away", key))
	p.term()
	require.Regexp(t, `(?s)msg=stopping why="terminated signal received"\n.*msg=stopped took=\S+\n$`, p.stderr.String(), "the log says why it ended, and that it did")
	code, _, stderr = ebbline(t, "", "health", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "no daemon answers at "+h.page)

	h.url = "tcp://" + porttest.Address(t)
	h.extra = countingSensor
	p = h.serve(t)
	until("TROUBLE  broker")
	require.Equal(t, exitFailed, code)
	require.Equal(t, "ebbline: the daemon runs but is not ready\n", stderr)
	p.term()

	// Connected, and yet nothing can arrive: trouble, though no reason to restart a container.
	m := newMosquitto(t)
	m.start()
	h.url, h.extra = "tcp://"+m.addr, ""
	p = h.serve(t)
	requireReadyWithin10s(t, p)
	require.Eventually(t, func() bool {
		code, out, stderr = ebbline(t, "", "health", "--config", h.config(t))
		return strings.Contains(out, "no topic to listen to")
	}, longEnough, 20*time.Millisecond)
	require.Contains(t, out, "TROUBLE  broker   no topic to listen to: no sensor is configured\n")
	require.Equal(t, exitDone, code, stderr)
	p.term()

	stranger := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(stranger.Close)
	h.page = strings.TrimPrefix(stranger.URL, "http://")
	_, _, stderr = ebbline(t, "", "health", "--config", h.config(t))
	require.Contains(t, stderr, "is no ebbline (status 404 Not Found)")
}
