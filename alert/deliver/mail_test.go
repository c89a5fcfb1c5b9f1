package deliver

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// authority vouches for the tests' servers.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pool *x509.CertPool
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Cellar authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-240 * time.Hour), NotAfter: time.Now().Add(240 * time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	a := &authority{cert: cert, key: key, pool: x509.NewCertPool()}
	a.pool.AddCert(cert)
	return a
}

// issue gives a certificate for 127.0.0.1 that is good until then.
func (a *authority) issue(t *testing.T, until time.Time) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "127.0.0.1"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-200 * time.Hour), NotAfter: until, KeyUsage: x509.KeyUsageDigitalSignature,
	}, a.cert, &key.PublicKey, a.key)
	require.NoError(t, err)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// files writes a certificate and its key.
func (a *authority) files(t *testing.T, until time.Time) (cert, key string) {
	t.Helper()
	c := a.issue(t, until)
	der, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Certificate[0]}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600))
	return cert, key
}

// post office: a real mail server and what it took.
type postOffice struct {
	addr string
	stop func()
	mu   sync.Mutex
	took []letter
}

type letter struct {
	From, Text string
	To         []string
	TLS, Login bool
}

// openOffice starts Debian's aiosmtpd; its own python, not one from elsewhere.
func openOffice(t *testing.T, args ...string) *postOffice {
	t.Helper()
	cmd := exec.Command("/usr/bin/python3", append([]string{"testdata/smtpd.py"}, args...)...)
	cmd.Stderr = t.Output()
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start(), "python3 and python3-aiosmtpd of Debian are needed: deploy/test.sh installs them")
	lines := bufio.NewReader(out)
	port, err := lines.ReadString('\n')
	require.NoError(t, err, "python3-aiosmtpd of Debian is needed: deploy/test.sh installs it")
	o := &postOffice{addr: "127.0.0.1:" + strings.TrimSpace(port)}
	read := make(chan struct{})
	go func() {
		defer close(read)
		for decoder := json.NewDecoder(lines); ; {
			var l letter
			if decoder.Decode(&l) != nil {
				return
			}
			o.mu.Lock()
			o.took = append(o.took, l)
			o.mu.Unlock()
		}
	}()
	o.stop = sync.OnceFunc(func() {
		_ = in.Close()
		_ = cmd.Process.Kill()
		<-read
		_ = cmd.Wait()
	})
	t.Cleanup(o.stop)
	return o
}

func (o *postOffice) letters() []letter {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]letter(nil), o.took...)
}

func mailer(t *testing.T, cfg MailConfig) *Mail {
	t.Helper()
	cfg.Name, cfg.From = "letter", "Cellar <ebbline@cellar.example>"
	if cfg.To == nil {
		cfg.To = []string{"orla@cellar.example"}
	}
	if cfg.TLS == "" {
		cfg.TLS = PlainText
	}
	m, err := NewMail(cfg)
	require.NoError(t, err)
	return m
}

// The mail as a person gets it: the sentence first, in a thread, recognisable
// when it comes twice.
func TestMailAsItArrives(t *testing.T) {
	office := openOffice(t)
	m := mailer(t, MailConfig{Server: office.addr, To: []string{"orla@cellar.example", "Bran <bran@cellar.example>"}})
	first, again, second := note(), note(), note()
	first.Alert.Message = "Start the crash by 21:40 today. In 18 of 20 cases the ceiling then holds: 4 °C by dawn."
	second.N = 3
	other := note()
	other.Alert.ID, other.Alert.Kind, other.Alert.Severity = "pale-wheat-12/crash-soon/1", "crash-soon", "warning"
	for _, n := range []Note{first, again, second, other} {
		require.NoError(t, m.Send(t.Context(), n))
	}
	require.NoError(t, Try(t.Context(), m, base))
	require.Eventually(t, func() bool { return len(office.letters()) == 5 }, 5*time.Minute, 5*time.Millisecond)
	got := office.letters()
	require.Equal(t, "ebbline@cellar.example", got[0].From)
	require.Equal(t, []string{"orla@cellar.example", "bran@cellar.example"}, got[0].To)
	var mails []*mail.Message
	for _, l := range got {
		parsed, err := mail.ReadMessage(strings.NewReader(l.Text))
		require.NoError(t, err)
		mails = append(mails, parsed)
	}
	header := func(i int, key string) string { return mails[i].Header.Get(key) }
	require.Equal(t, note().Alert.Title, decoded(t, header(0, "Subject")))
	require.Equal(t, "auto-generated", header(0, "Auto-Submitted"))
	require.True(t, strings.HasPrefix(header(0, "Content-Type"), "text/plain"))
	require.Equal(t, first.Alert.Message+"\n\nAnswer it here: https://cellar.example/a/abc\n", plainText(t, mails[0]))
	require.Equal(t, header(0, "Message-ID"), header(1, "Message-ID"), "an attempt made again")
	require.NotEqual(t, header(0, "Message-ID"), header(2, "Message-ID"), "another telling")
	require.Equal(t, header(0, "References"), header(2, "References"), "one thread for batch and stage")
	require.Equal(t, header(0, "References"), header(0, "In-Reply-To"))
	require.NotEqual(t, header(0, "References"), header(3, "References"), "another stage")
	require.Empty(t, header(4, "References"), "a test belongs to no batch")
	for i := range mails {
		require.Regexp(t, `^<[0-9a-f]{32}@cellar\.example>$`, header(i, "Message-ID"))
	}
	require.NotEmpty(t, header(0, "Importance"))
	require.Empty(t, header(3, "Importance"))
}

func decoded(t *testing.T, text string) string {
	t.Helper()
	s, err := new(mime.WordDecoder).DecodeHeader(text)
	require.NoError(t, err)
	return s
}

// With its own authority, login and every way of TLS.
func TestMailIsSentSafely(t *testing.T) {
	a := newAuthority(t)
	cert, key := a.files(t, time.Now().Add(time.Hour))
	for way, flag := range map[string]string{StartTLS: "--starttls", DirectTLS: "--tls"} {
		t.Run(way, func(t *testing.T) {
			office := openOffice(t, flag, cert, key, "--login", "orla", secret)
			m := mailer(t, MailConfig{Server: office.addr, TLS: way, Authorities: a.pool, User: "orla", Password: secret})
			require.NoError(t, m.Send(t.Context(), note()))
			require.Eventually(t, func() bool { return len(office.letters()) == 1 }, 5*time.Minute, 5*time.Millisecond)
			require.True(t, office.letters()[0].TLS)
			require.True(t, office.letters()[0].Login)
		})
	}
	t.Run("login on this machine", func(t *testing.T) {
		office := openOffice(t, "--login", "orla", secret)
		require.NoError(t, mailer(t, MailConfig{Server: office.addr, User: "orla", Password: secret}).Send(t.Context(), note()))
	})
}

// Whatever the server does, the fault is told apart, and no secret is told.
func TestBadMailServers(t *testing.T) {
	a := newAuthority(t)
	cert, key := a.files(t, time.Now().Add(time.Hour))
	old, oldKey := a.files(t, time.Now().Add(-time.Hour))
	plain := openOffice(t)
	good := openOffice(t, "--starttls", cert, key, "--login", "orla", secret)
	expired := openOffice(t, "--tls", old, oldKey)
	cases := map[string]struct {
		cfg   MailConfig
		fault Fault
		says  string
		after time.Duration
	}{
		"wrong password":        {MailConfig{Server: good.addr, TLS: StartTLS, Authorities: a.pool, User: "orla", Password: "not-" + secret}, Curable, "check user and password_file", loginPause},
		"no login":              {MailConfig{Server: good.addr, TLS: StartTLS, Authorities: a.pool}, Curable, "answered 530", loginPause},
		"unknown authority":     {MailConfig{Server: good.addr, TLS: StartTLS}, Curable, "unknown authority", 0},
		"expired":               {MailConfig{Server: expired.addr, TLS: DirectTLS, Authorities: a.pool}, Curable, "expired", 0},
		"offers no STARTTLS":    {MailConfig{Server: plain.addr, TLS: StartTLS}, Curable, "offers no STARTTLS", 0},
		"speaks no TLS":         {MailConfig{Server: plain.addr, TLS: DirectTLS}, Temporary, "does not speak TLS", 0},
		"no such mailbox":       {MailConfig{Server: plain.addr, To: []string{"nobody@cellar.example"}}, Curable, "answered 550 5.1.1 no such mailbox here", 0},
		"mailbox full":          {MailConfig{Server: plain.addr, To: []string{"full@cellar.example"}}, Temporary, "answered 452", 0},
		"text not taken":        {MailConfig{Server: plain.addr, To: []string{"picky@cellar.example"}}, Permanent, "answered 554 5.6.0 this text is not taken", 0},
		"hangs with the text":   {MailConfig{Server: plain.addr, To: []string{"slow@cellar.example"}, Timeout: time.Second}, Temporary, "no answer in time", 0},
		"hangs before a word":   {MailConfig{Server: strings.TrimPrefix(hangs(t), "http://"), Timeout: 300 * time.Millisecond}, Temporary, "no answer in time", 0},
		"refuses":               {MailConfig{Server: strings.TrimPrefix(closedPort(t), "http://")}, Temporary, "connection refused", 0},
		"hangs up":              {MailConfig{Server: strings.TrimPrefix(hangsUp(t), "http://")}, Temporary, "broke off", 0},
		"no such name":          {MailConfig{Server: "mail.invalid:587", TLS: StartTLS}, Temporary, "DNS", 0},
		"echoes the password":   {MailConfig{Server: echoing(t), User: "orla", Password: secret}, Curable, "answered 535", loginPause},
		"speaks something else": {MailConfig{Server: strings.TrimPrefix(serve(t, nil).URL, "http://"), Timeout: 500 * time.Millisecond}, Temporary, "not sent", 0},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := mailer(t, c.cfg).Send(t.Context(), note())
			var e *Error
			require.ErrorAs(t, err, &e)
			require.ErrorContains(t, err, c.says)
			require.Equal(t, c.fault, e.Fault, e.text)
			require.Equal(t, c.after, e.RetryAfter)
			require.NotContains(t, err.Error(), secret)
			require.NotContains(t, err.Error(), base64.StdEncoding.EncodeToString([]byte("\x00orla\x00"+secret)))
		})
	}
}

// echoing refuses a login and says what it was told.
func echoing(t *testing.T) string {
	return strings.TrimPrefix(raw(t, func(c net.Conn) {
		defer func() { _ = c.Close() }()
		r := bufio.NewReader(c)
		fmt.Fprint(c, "220 mail.example\r\n")
		for {
			line, err := r.ReadString('\n')
			switch {
			case err != nil:
				return
			case strings.HasPrefix(line, "EHLO"):
				fmt.Fprint(c, "250-mail.example\r\n250 AUTH PLAIN\r\n")
			case strings.HasPrefix(line, "AUTH"):
				said, _ := base64.StdEncoding.DecodeString(strings.TrimSpace(strings.TrimPrefix(line, "AUTH PLAIN ")))
				fmt.Fprintf(c, "535 no such user %s %s\r\n", strings.TrimSpace(line), bytes.ReplaceAll(said, []byte{0}, []byte(" ")))
			default:
				fmt.Fprint(c, "250 OK\r\n")
			}
		}
	}), "http://")
}

// A server that takes the mail and hangs up has taken it: it must not come twice.
func TestMailTakenByARudeServerIsTaken(t *testing.T) {
	office := openOffice(t)
	require.NoError(t, mailer(t, MailConfig{Server: office.addr, To: []string{"rude@cellar.example"}}).Send(t.Context(), note()))
}

func TestMailEndsWithItsContext(t *testing.T) {
	office := openOffice(t)
	m := mailer(t, MailConfig{Server: office.addr, To: []string{"slow@cellar.example"}, Timeout: time.Minute})
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	require.Error(t, m.Send(ctx, note()))
	require.Error(t, ctx.Err())
}

func TestMailConfigurationsThatCannotBeMeant(t *testing.T) {
	fine := MailConfig{Name: "letter", Server: "smtp.example:587", TLS: StartTLS, From: "a@cellar.example", To: []string{"b@cellar.example"}}
	_, err := NewMail(fine)
	require.NoError(t, err)
	for says, change := range map[string]func(*MailConfig){
		"host:port":            func(c *MailConfig) { c.Server = "smtp.example" },
		"on this machine":      func(c *MailConfig) { c.TLS = PlainText },
		"password of the user": func(c *MailConfig) { c.User = "orla" },
		"from is not":          func(c *MailConfig) { c.From = "orla" },
		"to is not":            func(c *MailConfig) { c.To = nil },
	} {
		c := fine
		change(&c)
		_, err := NewMail(c)
		require.ErrorContains(t, err, "letter: ")
		require.ErrorContains(t, err, says)
	}
}

// The whole way with the real server: down at first, then refusing the login,
// then well. The mail comes once, and nothing secret is left behind.
func TestMailComesOnceTheServerIsBack(t *testing.T) {
	var logged bytes.Buffer
	gone := openOffice(t)
	gone.stop()
	_, port, err := net.SplitHostPort(gone.addr)
	require.NoError(t, err)
	m := mailer(t, MailConfig{Server: gone.addr, User: "orla", Password: secret})
	store, a, _ := told(t, "crash-soon", "warning", m)
	clock := &wall{}
	clock.set(a.Recorded.Add(time.Second))
	b, stop := running(t, store, Options{Now: clock.Now, Poll: 5 * time.Millisecond, Logger: slog.New(slog.NewTextHandler(&logged, nil))}, m)
	failing := func(says string) {
		t.Helper()
		require.Eventually(t, func() bool { return strings.Contains(b.Status()[0].LastError, says) }, 5*time.Minute, 5*time.Millisecond, says)
	}
	failing("connection refused")
	strict := openOffice(t, "--port", port, "--login", "orla", "another")
	clock.set(clock.Now().Add(50 * time.Second))
	failing("the login is refused")
	strict.stop()
	back := openOffice(t, "--port", port, "--login", "orla", secret)
	clock.set(clock.Now().Add(loginPause + time.Second))
	require.Eventually(t, func() bool { return !b.Status()[0].LastSuccess.IsZero() }, 5*time.Minute, 5*time.Millisecond)
	stop()
	require.Eventually(t, func() bool { return len(back.letters()) > 0 }, 5*time.Minute, 5*time.Millisecond)
	require.Len(t, back.letters(), 1)
	require.NotContains(t, logged.String(), secret)
	for key, kept := range store.settings {
		require.NotContains(t, kept, secret, key)
	}
}

// plainText is the mail's text as its reader sees it.
func plainText(t *testing.T, m *mail.Message) string {
	t.Helper()
	require.Equal(t, "quoted-printable", m.Header.Get("Content-Transfer-Encoding"))
	text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	require.NoError(t, err)
	return strings.ReplaceAll(string(text), "\r\n", "\n")
}
