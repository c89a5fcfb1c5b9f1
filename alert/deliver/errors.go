package deliver

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// Fault says whether trying again can help.
type Fault int

// The faults, from the one that passes by itself to the one that stays.
const (
	// Temporary passes by itself: no network, a time-out, 5xx, 429.
	Temporary Fault = iota
	// Curable stays until someone mends the set-up: a wrong token or address.
	Curable
	// Permanent is a message that the other side will never take.
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

// answerFault is what an answer other than 2xx means.
func answerFault(resp *http.Response, now time.Time) *Error {
	e := &Error{text: fmt.Sprintf("answered %d %s", resp.StatusCode, http.StatusText(resp.StatusCode))}
	switch code := resp.StatusCode; {
	case code >= 500 || code == http.StatusTooManyRequests || code == http.StatusRequestTimeout || code == http.StatusTooEarly:
		e.RetryAfter = retryAfter(resp.Header.Get("Retry-After"), now)
	case code >= 300 && code < 400:
		e.Fault = Curable
		e.text += ": redirects are not followed, set the address it leads to"
	case code == http.StatusUnauthorized, code == http.StatusForbidden, code == http.StatusProxyAuthRequired:
		e.Fault = Curable
		e.text += ": check the token"
	case code == http.StatusNotFound, code == http.StatusMethodNotAllowed, code == http.StatusGone:
		e.Fault = Curable
		e.text += ": check the address"
	default:
		e.Fault = Permanent
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

// withoutAddress takes the address out of an error of net/http: a path or query
// may be the secret itself.
func withoutAddress(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return errors.New("no answer in time")
		}
		return withoutAddress(u.Err)
	}
	return err
}
