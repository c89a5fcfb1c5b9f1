package deliver

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"syscall"
	"time"
)

// Fault says whether trying again can help.
type Fault int

// The faults, from the one that passes by itself to the one that stays.
const (
	// Temporary passes by itself: no network, a time-out, 5xx, 429.
	Temporary Fault = iota
	// Curable stays until someone mends the set-up, here or there: a wrong token
	// or address, a certificate that has expired, 4xx. It is tried on, for it may
	// have been mended at the other end.
	Curable
	// Permanent is a message that can never be sent, such as one that is too large
	// for a mail server. Another telling may go through.
	Permanent
)

// Error is a failed attempt. Its text holds no secret.
type Error struct {
	Fault Fault
	// RetryAfter is how long the other side asked to wait; 0 if it did not.
	RetryAfter time.Duration
	text       string
}

func (e *Error) Error() string { return e.text }

// asError is what a channel's error means to the outbox.
func asError(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return lineError(err)
}

// Plain says in plain words, and without secrets, why a channel's Send failed.
func Plain(err error) string { return asError(err).Error() }

// answerFault is what an answer other than 2xx means.
func answerFault(resp *http.Response, now time.Time) *Error {
	e := statusFault(resp.StatusCode)
	if e.Fault == Temporary {
		e.RetryAfter = retryAfter(resp.Header.Get("Retry-After"), now)
	}
	return e
}

// statusFault is what a status of HTTP other than 2xx means.
func statusFault(code int) *Error {
	e := &Error{Fault: Curable, text: fmt.Sprintf("answered %d %s", code, http.StatusText(code))}
	switch {
	case code >= 500 || code == http.StatusTooManyRequests || code == http.StatusRequestTimeout || code == http.StatusTooEarly:
		e.Fault = Temporary
	case code >= 300 && code < 400:
		e.text += ": redirects are not followed, set the address it leads to"
	case code == http.StatusUnauthorized, code == http.StatusForbidden, code == http.StatusProxyAuthRequired:
		e.text += ": check the token"
	case code == http.StatusNotFound, code == http.StatusMethodNotAllowed, code == http.StatusGone:
		e.text += ": check the address"
	default:
		e.text += ": it does not take what it is sent, check the address"
	}
	return e
}

// retryAfter reads the header as RFC 9110 §10.2.3 has it: seconds or a date.
func retryAfter(value string, now time.Time) time.Duration {
	if s, err := strconv.Atoi(value); err == nil {
		return time.Duration(min(max(s, 0), 7*86400)) * time.Second
	}
	if t, err := http.ParseTime(value); err == nil && t.After(now) {
		return t.Sub(now)
	}
	return 0
}

// lineError is an attempt that got no answer, in plain words and without the
// address: a path or query may be the secret itself.
func lineError(err error) *Error {
	var u *url.Error
	if errors.As(err, &u) && !u.Timeout() {
		err = u.Err
	}
	var dns *net.DNSError
	var cert *tls.CertificateVerificationError
	var unknown x509.UnknownAuthorityError
	var invalid x509.CertificateInvalidError
	var host x509.HostnameError
	switch {
	case timedOut(err):
		return &Error{text: "not sent: no answer in time"}
	case errors.As(err, &dns):
		return &Error{text: "not sent: the name of the server is not known to the network (DNS)"}
	case errors.Is(err, syscall.ECONNREFUSED):
		return &Error{text: "not sent: connection refused: nothing listens there"}
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return &Error{Fault: Curable, text: "not sent: the server's certificate has expired, or the clock here is wrong"}
	case errors.As(err, &unknown):
		return &Error{Fault: Curable, text: "not sent: the server's certificate is of an unknown authority"}
	case errors.As(err, &host):
		return &Error{Fault: Curable, text: "not sent: the server's certificate is for another name"}
	case errors.As(err, &cert):
		return &Error{Fault: Curable, text: "not sent: the server's certificate is not accepted"}
	}
	return &Error{text: "not sent: " + brokenOff(err)}
}

func timedOut(err error) bool {
	var n net.Error
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded) || errors.As(err, &n) && n.Timeout()
}

// brokenOff says what else went wrong. The error's own text is not repeated: it
// may quote what came back, and that may echo what was sent.
func brokenOff(err error) string {
	var number syscall.Errno
	var record tls.RecordHeaderError
	switch {
	case errors.As(err, &number):
		return number.Error()
	case errors.As(err, &record):
		return "what answers there does not speak TLS"
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		return "the connection broke off"
	case errors.Is(err, context.Canceled):
		return "interrupted"
	}
	return "what answers there does not speak the protocol"
}
