package deliver

import (
	"encoding/json"
	"mime"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// injected are names and sentences that would be a header, a template, a
// parameter or a second value, if somebody built messages by gluing text.
func injected() []string {
	return []string{
		"x\r\nBcc: eve@evil.example\r\n\r\nbody", "x\nX-Forged: 1", "x\r\n.\r\nMAIL FROM:<eve@evil.example>", "x\r\n--boundary\r\n",
		"{{.Token}} {{printf \"%s\" .}} ${HOME} $(id) `id` %s%n %0d%0aX-Forged:%201", `","severity":"info","ack_url":"http://evil.example/a/x","x":"`, "</script><script>x</script>",
		"?title=forged&disabletls=yes#/../..", "=?utf-8?q?=0D=0AX-Forged:_1?=", "\u2028\u202e\x00\x1b[2J", strings.Repeat("é", 3000),
	}
}

// forged is an alert of a batch of that name. Its id is made of letters, digits
// and - (config's slug), so the ids in headers are no way in.
func forged(t *testing.T, text string) Note {
	t.Helper()
	n := note()
	n.Alert.Title, n.Alert.Message = text, "say "+text
	body, err := json.Marshal(map[string]any{"id": n.Alert.ID, "batch": text, "kind": "crash-now", "severity": "urgent", "time": "2026-03-04T21:00:00Z"})
	require.NoError(t, err)
	n.Alert.Body = body
	return n
}

// Whatever a batch is called, every channel carries it as text: no header, no
// field, no parameter and no second message comes of it.
func TestNamesAreOnlyText(t *testing.T) {
	t.Parallel()
	s := serve(t, nil)
	hook, err := NewWebhook(WebhookConfig{Name: "hook", URL: s.URL + "/hook", Secret: "Jefe"})
	require.NoError(t, err)
	phone, err := NewNtfy(NtfyConfig{Name: "phone", URL: s.URL + "/topic"})
	require.NoError(t, err)
	plain := func(header http.Header) {
		t.Helper()
		require.Empty(t, header.Values("X-Forged"))
		require.Empty(t, header.Values("Bcc"))
		for name, values := range header {
			for _, v := range values {
				require.NotContains(t, v, "\n", name)
			}
		}
	}
	for _, text := range injected() {
		require.NoError(t, hook.Send(t.Context(), forged(t, text)), "%q", text)
		plain(s.header)
		var body map[string]any
		require.NoError(t, json.Unmarshal(s.body, &body), "%q", text)
		require.Len(t, body, 13, "the contract's fields and no others")
		require.Equal(t, "urgent", body["severity"])
		require.Equal(t, "https://cellar.example/a/abc", body["ack_url"])
		require.Equal(t, text, body["title"])
		require.Equal(t, text, body["batch"])
		require.Equal(t, "/hook", s.path)

		require.NoError(t, phone.Send(t.Context(), forged(t, text)), "%q", text)
		plain(s.header)
		require.Equal(t, "/topic", s.path)
		require.Equal(t, "5", s.header.Get("Priority"))
		require.Equal(t, "https://cellar.example/a/abc", s.header.Get("Click"))
		require.True(t, strings.HasPrefix(string(s.body), "say "+text[:1]))
	}
}

// The same through the library for all other services, and through a real mail
// server.
func TestNamesAreOnlyTextInServicesAndMail(t *testing.T) {
	t.Parallel()
	var got []map[string]string
	path := ""
	chat := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m map[string]string
		_ = json.NewDecoder(r.Body).Decode(&m)
		got, path = append(got, m), r.URL.RequestURI()
	}))
	t.Cleanup(chat.Close)
	c := service(t, "generic+"+chat.URL+"/chat?template=json", 0)
	office := openOffice(t)
	m := mailer(t, MailConfig{Server: office.addr})
	for i, text := range injected() {
		require.NoError(t, c.Send(t.Context(), forged(t, text)), "%q", text)
		require.Len(t, got, i+1)
		require.Len(t, got[i], 2, "title and message")
		require.Contains(t, got[i]["message"], "say "+text[:1])
		require.Equal(t, "/chat", path)
		require.NoError(t, m.Send(t.Context(), forged(t, text)), "%q", text)
	}
	want := len(injected())
	require.Eventually(t, func() bool { return len(office.letters()) >= want }, 5*time.Minute, 5*time.Millisecond)
	letters := office.letters()
	require.Len(t, letters, want, "one letter each")
	for i, l := range letters {
		require.Equal(t, []string{"orla@cellar.example"}, l.To, "%q", injected()[i])
		parsed, err := mail.ReadMessage(strings.NewReader(l.Text))
		require.NoError(t, err)
		require.Empty(t, parsed.Header.Get("Bcc"))
		require.Empty(t, parsed.Header.Get("X-Forged"))
		subject, err := new(mime.WordDecoder).DecodeHeader(parsed.Header.Get("Subject"))
		require.NoError(t, err)
		require.NotEmpty(t, subject)
		require.Contains(t, plainText(t, parsed), "Answer it here: https://cellar.example/a/abc")
	}
}
