package deliver

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// The ways a mail server is spoken to.
const (
	StartTLS  = "starttls" // plain first, then TLS by STARTTLS or not at all
	DirectTLS = "tls"      // TLS from the start
	PlainText = "none"     // no TLS: to this machine only
)

// mailTimeout bounds one attempt: mail servers greet slowly.
const mailTimeout = 20 * time.Second

// MailConfig says by which server mail goes, and to whom.
type MailConfig struct {
	Name string
	// Server is host:port.
	Server string
	// TLS is StartTLS, DirectTLS or PlainText.
	TLS string
	// Authorities are the certificates that may vouch for the server; nil: the
	// system's.
	Authorities *x509.CertPool
	// User and Password log in; User empty: no login.
	User, Password string
	From           string
	To             []string
	// Timeout of one attempt; 0: 20 s.
	Timeout time.Duration
}

// Mail sends alerts as plain text by SMTP (RFC 5321).
type Mail struct {
	cfg  MailConfig
	host string
	port int
}

// NewMail checks the configuration; it sends nothing.
func NewMail(cfg MailConfig) (*Mail, error) {
	if cfg.Timeout <= 0 {
		cfg.Timeout = mailTimeout
	}
	c := &Mail{cfg: cfg}
	var err error
	if c.host, c.port, err = hostPort(cfg.Server); err != nil {
		return nil, fmt.Errorf("%s: %w", cfg.Name, err)
	}
	if cfg.TLS == PlainText && !onLoopback(c.host) {
		return nil, fmt.Errorf("%s: without TLS only a server on this machine is spoken to; set tls to starttls or tls", cfg.Name)
	}
	if cfg.User != "" && cfg.Password == "" {
		return nil, fmt.Errorf("%s: the password of the user is empty", cfg.Name)
	}
	if _, err := c.message(Note{}, time.Now()); err != nil {
		return nil, fmt.Errorf("%s: %w", cfg.Name, err)
	}
	return c, nil
}

// Name is the channel's name in the configuration.
func (c *Mail) Name() string { return c.cfg.Name }

// Send hands the note to the server. Accepted means that the server has it. Two
// attempts at one telling carry the same Message-ID.
func (c *Mail) Send(ctx context.Context, n Note) error {
	ctx, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
	defer cancel()
	msg, err := c.message(n, time.Now())
	if err != nil {
		return &Error{Fault: Permanent, text: "the mail cannot be written"}
	}
	client, err := c.client(ctx)
	if err != nil {
		return &Error{Fault: Curable, text: "the mail server cannot be used: check server and tls"}
	}
	conn, err := client.DialToSMTPClientWithContext(ctx)
	if err == nil {
		err = client.SendWithSMTPClient(conn, msg)
		// Once the server has taken the text, what goes wrong in parting changes
		// nothing: sent again it would come twice.
		_ = client.CloseWithSMTPClient(conn)
	}
	if err == nil || msg.IsDelivered() {
		return nil
	}
	return c.fault(ctx, err)
}

// client is fresh for each message. Its connection ends with ctx, which the
// library heeds in dialling only.
func (c *Mail) client(ctx context.Context) (*mail.Client, error) {
	secure := &tls.Config{ServerName: c.host, RootCAs: c.cfg.Authorities, MinVersion: tls.VersionTLS12}
	dial := func(dialling context.Context, network, address string) (net.Conn, error) {
		conn, err := (&net.Dialer{}).DialContext(dialling, network, address)
		if err != nil {
			return nil, err
		}
		context.AfterFunc(ctx, func() { _ = conn.Close() })
		if c.cfg.TLS != DirectTLS {
			return conn, nil
		}
		over := tls.Client(conn, secure)
		return over, over.HandshakeContext(dialling)
	}
	// The library's own limit comes later than ctx, whose error is told apart.
	o := []mail.Option{mail.WithPort(c.port), mail.WithTimeout(2 * c.cfg.Timeout), mail.WithDialContextFunc(dial), mail.WithTLSConfig(secure)}
	switch c.cfg.TLS {
	case DirectTLS:
		o = append(o, mail.WithSSL())
	case PlainText:
		o = append(o, mail.WithTLSPolicy(mail.NoTLS))
	default:
		o = append(o, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if c.cfg.User != "" {
		o = append(o, mail.WithUsername(c.cfg.User), mail.WithPassword(c.cfg.Password))
		if c.cfg.TLS == PlainText {
			o = append(o, mail.WithSMTPAuth(mail.SMTPAuthPlainNoEnc))
		} else {
			o = append(o, mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthPlain, mail.SMTPAuthLogin))
		}
	}
	return mail.NewClient(c.host, o...)
}

// message is the mail: the sentence first, so that a preview shows it.
func (c *Mail) message(n Note, now time.Time) (*mail.Msg, error) {
	m := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := m.From(c.cfg.From); err != nil {
		return nil, errors.New("from is not a mail address such as ebbline@cellar.example")
	}
	if err := m.To(c.cfg.To...); err != nil || len(c.cfg.To) == 0 {
		return nil, errors.New("to is not a list of mail addresses such as orla@cellar.example")
	}
	from := m.GetFrom()[0].Address
	domain := from[strings.LastIndex(from, "@")+1:]
	m.Subject(strings.Join(strings.Fields(n.Alert.Title), " "))
	m.SetDateWithValue(now)
	m.SetMessageIDWithValue(mailID("telling", n.Key(), c.cfg.Name, domain))
	if n.Alert.Batch != "" {
		// All of a thread name one mail that was never sent: their common root.
		root := "<" + mailID("thread", n.thread(), c.cfg.Name, domain) + ">"
		m.SetGenHeader(mail.HeaderInReplyTo, root)
		m.SetGenHeader(mail.HeaderReferences, root)
	}
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday replies
	if n.Alert.Severity == urgent {
		m.SetImportance(mail.ImportanceUrgent)
	}
	body := n.Alert.Message + "\n"
	if n.AckURL != "" {
		body += "\nAnswer it here: " + n.AckURL + "\n"
	}
	m.SetBodyString(mail.TypeTextPlain, body)
	return m, nil
}

// mailID is a Message-ID (RFC 5322) that is the same whenever it is asked for.
func mailID(kind, what, channel, domain string) string {
	sum := sha256.Sum256([]byte(kind + "\x00" + what + "\x00" + channel))
	return hex.EncodeToString(sum[:16]) + "@" + domain
}
