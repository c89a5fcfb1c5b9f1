package mirror

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
	"github.com/stretchr/testify/require"
)

// FuzzAnswers: whatever a server answers, a point is taken, refused for good or
// tried again, the wait is no longer than asked for, and the token stays here.
func FuzzAnswers(f *testing.F) {
	f.Add(uint16(204), "", "")
	f.Add(uint16(400), "", `{"code":"invalid","message":"unable to parse"}`)
	f.Add(uint16(401), "", `{"code":"unauthorized","message":"token aging-hops\n\u001b[2J"}`)
	f.Add(uint16(429), "18446744073709551615", "slow down")
	f.Add(uint16(503), "-1", "<html>")
	var answer func(http.ResponseWriter)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { answer(w) }))
	f.Cleanup(s.Close)
	m := New(Config{URL: s.URL, Org: "cellar", Bucket: "beer", Token: "aging-hops"}, nil, nil)
	client := influxdb2.NewClientWithOptions(s.URL, "aging-hops", influxdb2.DefaultOptions().SetLogLevel(0))
	f.Cleanup(client.Close)
	out := client.WriteAPIBlocking("cellar", "beer")
	point := write.NewPoint("gravity", map[string]string{"sensor": "float-1"}, map[string]any{"value": 1.01}, time.Unix(1772474100, 0))
	f.Fuzz(func(t *testing.T, status uint16, after, body string) {
		status = 200 + status%400
		answer = func(w http.ResponseWriter) {
			if after != "" && !strings.ContainsAny(after, "\r\n\x00") {
				w.Header().Set("Retry-After", after)
			}
			if strings.HasPrefix(body, "{") {
				w.Header().Set("Content-Type", "application/json")
			}
			w.WriteHeader(int(status))
			_, _ = io.WriteString(w, body)
		}
		skips, err := send(t.Context(), out, []*write.Point{point})
		require.False(t, len(skips) > 0 && err != nil)
		if err == nil {
			for _, sk := range skips {
				require.NotContains(t, m.redact(sk.why), "aging-hops")
			}
			return
		}
		m.fault(err)
		require.NotContains(t, m.status.Problem, "aging-hops")
		if n, bad := strconv.ParseUint(after, 10, 63); bad == nil && n < 1<<31 {
			require.LessOrEqual(t, askedWait(err), time.Duration(n)*time.Second)
		}
	})
}
