package main

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// “What if” is answered by the belief of the running batch: it agrees with what
// the page says of a crash now, and changes nothing.
func TestTheDaemonAnswersWhatIf(t *testing.T) {
	t.Parallel()
	d := dueBatch(t, time.Hour)
	p := newResidence(t).serve(t, d.batch)
	publish(t, p.mqtt, "cellar/float-1", d.lines)
	require.Eventually(t, func() bool { return strings.Contains(p.get("/api/v1/alerts"), "crash-now") }, longEnough, 50*time.Millisecond)
	var all struct {
		Batches []struct {
			ID         string
			Projection struct {
				Left struct{ P50 float64 } `json:"abv_if_left"`
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(p.get("/api/v1/batches")), &all))
	ask := func(hold string, in time.Duration) (a struct {
		ABV, Unused struct{ P50 float64 }
		Over        float64
		Left        struct{ P50 float64 } `json:"abv_if_left"`
	},
	) {
		q := url.Values{"crash_at": {fmt.Sprint(time.Now().Add(in).Unix())}}
		if hold != "" {
			q.Set("hold", hold)
		}
		require.NoError(t, json.Unmarshal([]byte(p.get("/api/v1/batches/"+all.Batches[0].ID+"/what-if?"+q.Encode())), &a))
		require.Positive(t, a.ABV.P50)
		return a
	}
	now, later, cold := ask("", 0), ask("", 8*time.Hour), ask("4", 8*time.Hour)
	require.Less(t, now.ABV.P50, later.ABV.P50)
	require.LessOrEqual(t, now.Over, later.Over)
	require.Less(t, cold.ABV.P50, later.ABV.P50)
	require.InDelta(t, all.Batches[0].Projection.Left.P50, now.Left.P50, 0.02)
	require.InDelta(t, now.ABV.P50, ask("", 0).ABV.P50, 0.01)
}
