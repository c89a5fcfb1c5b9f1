package page

import (
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
)

// Law: what can hardly be meant of a new batch is said before it is sent and asked
// about once; what nobody means stands beside its field and starts nothing.
func TestANewBatchThatCanHardlyBeMeantIsAskedAbout(t *testing.T) {
	t.Parallel()
	started := 0
	c := newCellar(t, func(o *Options) {
		o.Doubts = func(b projection.Batch) []Doubt {
			switch {
			case b.Crash.TimeConstant < 10*time.Minute && b.Volume == 19:
				return []Doubt{{"time_constant", "Nothing cools so fast.", true}}
			case b.Ceiling.Limit < 0.2 || b.ResponseTime > 12*time.Hour || b.OriginalGravity > 1.05 || b.Crash.To > 8:
				return []Doubt{{"ceiling", "Was 0.5 meant?", false}}
			}
			return nil
		}
	})
	c.deeds.started = func([]byte) { started++ }
	b := c.loggedIn()
	fill := url.Values{
		"name": {"Slate pale 7"}, "original_gravity": {"1.0155"}, "ceiling": {"0.05"}, "volume": {"19"}, "volume_unit": {"L"}, "yeast": {"standard"},
		"crash_to": {"2"}, "time_constant": {"5"}, "rule": {"balling"}, "risk": {"5"}, "response": {"30"}, "beer": {"20"}, "do": {"plan"},
	}
	require.Contains(t, c.post(b, "/new", fill).body, "Was 0.5 meant?")
	fill.Set("do", "start")
	r := c.post(b, "/new", fill)
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	require.Contains(t, r.body, "It is so: start it as typed")
	require.Contains(t, r.body, `name="sure" value="Was 0.5 meant?"`)
	require.Zero(t, started)
	fill.Set("time_constant", "0.1")
	fill.Set("sure", "Was 0.5 meant?")
	r = c.post(b, "/new", fill)
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	require.Contains(t, r.body, "Nothing cools so fast.")
	require.Zero(t, started)
	fill.Set("time_constant", "5")
	require.Equal(t, http.StatusSeeOther, c.post(b, "/new", fill).status)
	require.Equal(t, 1, started, "who says that it is so is believed")
}
