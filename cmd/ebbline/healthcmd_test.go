package main

import (
	"net/http"
	"net/http/httptest"
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
	code, out, stderr := ebbline(t, "", "health", "--config", h.config(t))
	require.Equal(t, exitDone, code, stderr)
	require.Equal(t, "well     journal  The record can be written.\nwell     broker   Readings can arrive.\nwell     watches  Every batch is watched.\n", out)
	p.term()
	require.Regexp(t, `(?s)msg=stopping why="terminated signal received"\n.*msg=stopped took=\S+\n$`, p.stderr.String(), "the log says why it ended, and that it did")
	code, _, stderr = ebbline(t, "", "health", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "no daemon answers at "+h.page)

	h.url = "tcp://" + porttest.Address(t)
	h.extra = countingSensor
	p = h.serve(t)
	code, out, stderr = ebbline(t, "", "health", "--config", h.config(t))
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "TROUBLE  broker")
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
