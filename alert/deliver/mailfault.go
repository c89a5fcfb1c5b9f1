package deliver

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// loginPause is how long a refused login waits: servers lock out who asks often.
const loginPause = 5 * time.Minute

// fault is what a failed attempt means. 4xx passes by itself, 5xx does not
// (RFC 5321 §4.2.1).
func (c *Mail) fault(ctx context.Context, err error) *Error {
	var answer *textproto.Error
	var sending *mail.SendError
	switch {
	case ctx.Err() != nil:
		return lineError(ctx.Err())
	case errors.As(err, &answer):
		return c.answer(answer.Code, answer.Msg, false)
	case errors.As(err, &sending) && sending.ErrorCode() != 0:
		// Refused addresses can be mended; a refused text cannot.
		text := sending.Reason == mail.ErrSMTPData || sending.Reason == mail.ErrSMTPDataClose
		return c.answer(sending.ErrorCode(), serverWords(sending.Error()), text)
	case sending != nil: // it hides the error that it holds
		return &Error{text: "not sent: the connection broke off"}
	case strings.Contains(err.Error(), "does not support STARTTLS"):
		return &Error{Fault: Curable, text: "the server offers no STARTTLS: check the port, or set tls: tls"}
	case strings.Contains(err.Error(), "does not support SMTP AUTH"), strings.Contains(err.Error(), "not supported"):
		return &Error{Fault: Curable, text: "the server offers no login that is known here: check port and tls, or leave user out"}
	}
	return lineError(err)
}

// answer is what a mail server's answer means; text says that it is about the
// message and not about us.
func (c *Mail) answer(code int, words string, text bool) *Error {
	e := &Error{Fault: Curable, text: fmt.Sprintf("answered %d %s", code, c.clean(words))}
	switch {
	case code < 500:
		e.Fault = Temporary
	case code == 530 || code == 534 || code == 535 || code == 538: // RFC 4954 §6
		e.RetryAfter = loginPause
		e.text += ": the login is refused, check user and password_file"
	case text:
		e.Fault = Permanent
	}
	return e
}

// serverWords is what the server said after its code, out of the library's words.
func serverWords(s string) string {
	for _, field := range strings.SplitAfter(s, " ") {
		if n, err := strconv.Atoi(strings.TrimSpace(field)); err == nil && n >= 400 && n < 600 {
			_, s, _ = strings.Cut(s, field)
			break
		}
	}
	s, _, _ = strings.Cut(s, ", affected ")
	return s
}

// clean makes one short line of a server's words, without what was told it in
// confidence.
func (c *Mail) clean(words string) string {
	for _, secret := range []string{
		c.cfg.Password,
		base64.StdEncoding.EncodeToString([]byte(c.cfg.Password)),
		base64.StdEncoding.EncodeToString([]byte("\x00" + c.cfg.User + "\x00" + c.cfg.Password)),
	} {
		if secret != "" {
			words = strings.ReplaceAll(words, secret, "…")
		}
	}
	return cut(strings.Join(strings.Fields(strings.ReplaceAll(words, `"`, "")), " "), 160)
}

func hostPort(server string) (string, int, error) {
	host, port, err := net.SplitHostPort(server)
	n, bad := strconv.Atoi(port)
	if err != nil || bad != nil || host == "" || n < 1 || n > 65535 {
		return "", 0, errors.New("the server is host:port, such as smtp.example:587")
	}
	return host, n, nil
}

func onLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
