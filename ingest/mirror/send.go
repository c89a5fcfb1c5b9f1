package mirror

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// skip is a point that will not be copied.
type skip struct{ which, why string }

// send writes points and returns those that the server refuses for good, or an
// error if it takes nothing for now; then some may have been written. A refused
// request is halved until the refused points stand alone: their neighbours are
// written.
func send(ctx context.Context, out api.WriteAPIBlocking, points []*write.Point) ([]skip, error) {
	if len(points) == 0 {
		return nil, nil
	}
	err := out.WritePoint(ctx, points...)
	if err == nil || !isRefusal(err) {
		return nil, err
	}
	if len(points) == 1 {
		return []skip{{describe(points[0]), err.Error()}}, nil
	}
	half := len(points) / 2
	first, err := send(ctx, out, points[:half])
	if err != nil {
		return nil, err
	}
	second, err := send(ctx, out, points[half:])
	return append(first, second...), err
}

// isRefusal tells a verdict on the points (they will never be taken) from one
// on the sender, the target or the moment (they will be, once it is put right).
func isRefusal(err error) bool {
	var e *influxhttp.Error
	if !errors.As(err, &e) || e.StatusCode < 400 || e.StatusCode > 499 {
		return false
	}
	switch e.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound,
		http.StatusProxyAuthRequired, http.StatusRequestTimeout, http.StatusTooManyRequests:
		return false
	}
	return true
}

// askedWait is the server's Retry-After; 0 if it gave none.
func askedWait(err error) time.Duration {
	var e *influxhttp.Error
	if !errors.As(err, &e) {
		return 0
	}
	return time.Duration(e.RetryAfter) * time.Second
}

// advise says what a person can do about err.
func advise(err error) string {
	var e *influxhttp.Error
	if !errors.As(err, &e) || e.StatusCode == 0 {
		return fmt.Sprintf("%v; is it running, and is the address right?", err)
	}
	text := fmt.Sprintf("it answers %d (%.200s)", e.StatusCode, e.Error())
	switch e.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden:
		return text + "; check the token and what it may write"
	case http.StatusNotFound:
		return text + "; check url, org and bucket"
	case http.StatusTooManyRequests:
		return text + "; it asks to be slower"
	}
	return text
}
