package main

import (
	"bufio"
	"encoding/json"
	"io"
	"mime/quotedprintable"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// letters starts a real mail server, Debian's aiosmtpd, and gives its address
// and what it takes.
func letters(t *testing.T) (addr string, took <-chan string) {
	t.Helper()
	cmd := exec.Command("/usr/bin/python3", "../../alert/deliver/testdata/smtpd.py")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start(), "python3 and python3-aiosmtpd of Debian are needed: deploy/test.sh installs them")
	lines := bufio.NewReader(out)
	port, err := lines.ReadString('\n')
	require.NoError(t, err, "python3-aiosmtpd of Debian is needed: deploy/test.sh installs it")
	ch, ended := make(chan string, 100), make(chan struct{})
	go func() {
		defer close(ended)
		for decoder := json.NewDecoder(lines); ; {
			var letter struct{ Text string }
			if decoder.Decode(&letter) != nil {
				return
			}
			ch <- letter.Text
		}
	}()
	t.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Process.Kill()
		<-ended
		_ = cmd.Wait()
	})
	return "127.0.0.1:" + strings.TrimSpace(port), ch
}

// TestTheLetterComesWhenThePhoneIsDead lets a crash fall due while the first
// channel refuses everything: a mail says so at once, with the sentence first and
// a link that answers.
func TestTheLetterComesWhenThePhoneIsDead(t *testing.T) {
	t.Parallel()
	phone := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) }))
	t.Cleanup(phone.Close)
	server, took := letters(t)
	d := dueBatch(t, time.Hour)
	h := newResidence(t)
	h.extra = "notify:\n  - {webhook: " + phone.URL + "/swordfish, name: phone}\n" +
		"  - mail: {server: \"" + server + "\", tls: none, from: ebbline@cellar.example, to: [orla@cellar.example]}\n"
	p := h.serve(t, d.batch)
	publish(t, p.mqtt, "cellar/float-1", d.lines)
	for {
		var text string
		select {
		case text = <-took:
		case <-time.After(longEnough):
			t.Fatal("no letter asks for the crash")
		}
		m, err := mail.ReadMessage(strings.NewReader(text))
		require.NoError(t, err)
		raw, err := io.ReadAll(quotedprintable.NewReader(m.Body))
		require.NoError(t, err)
		body := strings.ReplaceAll(string(raw), "\r\n", "\n")
		if !strings.Contains(m.Header.Get("Subject"), "rash") || m.Header.Get("Importance") == "" {
			continue // another alert of the same moment
		}
		require.NotContains(t, text, "swordfish")
		_, link, ok := strings.Cut(body, "Answer it here: ")
		require.True(t, ok, body)
		require.Contains(t, p.get("/api/v1/alerts"), strings.SplitN(body, ".", 2)[0], "the same sentence as on the page")
		resp, err := http.Post(strings.TrimSpace(link), "", nil)
		require.NoError(t, err)
		resp.Body.Close()
		require.Less(t, resp.StatusCode, 300)
		return
	}
}
