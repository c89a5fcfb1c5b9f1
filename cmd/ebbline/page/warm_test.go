package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// temper stores a last temperature, °C.
func (c *cellar) temper(sensor string, celsius float64) {
	c.Helper()
	require.NoError(c, c.journal.Record(c.Context(), []ingest.Reading{{
		Sensor: sensor, Quantity: ingest.Temperature, Time: c.Now(), Arrived: c.Now(), Value: celsius, DeviceTime: true,
	}}, nil))
}

// Beer that is not crashed, or not cold, is packaged only by someone who was
// told what it may do and said "all the same": by the form and by the API.
func TestWarmBeerIsPackagedOnlyOnPurpose(t *testing.T) {
	t.Parallel()
	const path, api = "/batch/pale-12/package", "/api/v1/batches/pale-12/actions"
	for name, one := range map[string]struct {
		celsius float64
		crash   bool
		warm    bool
		says    []string
	}{
		"no crash":             {19.4, false, true, []string{"This beer is at 19.4 °C, and no crash is recorded.", "comes to 0.61–0.90 % ABV (8 of 10 cases), above its ceiling of 0.5 % ABV.", "building pressure and can burst"}},
		"crashed, not cold":    {8.1, true, true, []string{"This beer is at 8.1 °C: a crash is recorded, but it is not cold.", "can burst"}},
		"cold without a crash": {3, false, true, []string{"at 3.0 °C, and no crash is recorded"}},
		"crashed and cold":     {8, true, false, nil},
	} {
		t.Run(name, func(t *testing.T) {
			c := whole(t, nil)
			client, token := c.loggedIn(), c.token()
			c.temper("float-1", one.celsius)
			if one.crash {
				require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", noon.Add(-time.Hour), ""))
			}
			page := c.get(client, path).body
			require.Equal(t, one.warm, strings.Contains(page, `id="warm-says"`))
			form := c.post(client, path, url.Values{"into": {"keg"}, "acid": {"yes"}})
			if !one.warm {
				require.Equal(t, http.StatusSeeOther, form.status)
				return
			}
			script := c.api(http.MethodPost, api, `{"action":"packaged","into":"keg"}`, token)
			require.Equal(t, http.StatusUnprocessableEntity, form.status)
			require.Equal(t, http.StatusUnprocessableEntity, script.status)
			require.Contains(t, form.body, `id="e-warm"`)
			require.Contains(t, script.body, `"field":"warm"`)
			for _, w := range one.says {
				require.Contains(t, strings.ReplaceAll(page, "\u00a0", " "), w)
				require.Contains(t, script.body, w)
			}
			b, err := c.journal.Batch(t.Context(), "pale-12")
			require.NoError(t, err)
			require.Nil(t, b.Ended, "nothing was entered")
			if one.crash {
				r := c.api(http.MethodPost, api, `{"action":"packaged","into":"keg","warm":true,"acid":true}`, token)
				require.Equal(t, http.StatusNoContent, r.status, r.body)
			} else {
				require.Equal(t, http.StatusSeeOther, c.post(client, path, url.Values{"into": {"keg"}, "warm": {"yes"}, "acid": {"yes"}}).status)
			}
			b, err = c.journal.Batch(t.Context(), "pale-12")
			require.NoError(t, err)
			require.NotNil(t, b.Ended)
		})
	}
}

func TestWhatIsSaidOfWarmBeer(t *testing.T) {
	t.Parallel()
	st := &status{About: pale(), Outlook: &outlook{ABVIfLeft: quantiles{0.31, 0.4, 0.46}}}
	require.Equal(t, "No temperature of this beer is known, and no crash is recorded. Left alone it comes to 0.31–0.46 % ABV (8 of 10 cases). "+
		"In a closed vessel it goes on building pressure and can burst.", notCold(st, Units{}))
	st.Outlook.ABVIfLeft.P90 = 0.52
	require.Contains(t, notCold(st, Units{}), "(8 of 10 cases), which may be above its ceiling of 0.5 % ABV.")
	st.Outlook = nil
	require.Contains(t, notCold(st, Units{}), "not known yet")
	at := noon
	st.Batch = journal.Batch{Ended: &at}
	require.Empty(t, notCold(st, Units{}), "what is packaged is packaged")
}
