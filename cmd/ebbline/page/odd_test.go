package page

import (
	"html"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A sample that can hardly be right is recorded only by someone who was told why
// and said that it is so, of these values and no others: by the form and by the API.
func TestAnOddSampleIsAskedAbout(t *testing.T) {
	t.Parallel()
	const path, api = "/batch/pale-12/sample", "/api/v1/batches/pale-12/samples"
	sure := regexp.MustCompile(`name="sure" value="([^"]+)"`)
	for name, one := range map[string]struct {
		typed  url.Values
		script string
		says   string
	}{
		"above the original gravity": {
			url.Values{"gravity": {"1.0250"}},
			`{"gravity":1.025}`,
			"1.0250 SG is above the original gravity of 1.0132 SG, and fermenting beer only falls.",
		},
		"above it once corrected": {
			url.Values{"gravity": {"1.0125"}, "temperature": {"33"}},
			`{"gravity":1.0125,"temperature":33}`,
			"1.0125 SG read at 33.0 °C is 1.0157 SG at 20.0 °C, which is above the original gravity",
		},
		"68 °F taken as °C": {
			url.Values{"gravity": {"1.0118"}, "temperature": {"68"}},
			`{"gravity":1.0118,"temperature":68}`,
			"68.0 °C is far too warm to read a hydrometer at; the beer was last at 18.2 °C. If it is in °F, that is 20.0 °C.",
		},
		"lower than it can get": {
			url.Values{"gravity": {"0.985"}}, `{"gravity":0.985}`, "0.9850 SG is lower than this wort of 1.0132 SG can get",
		},
		"a pH of no beer": {
			url.Values{"ph": {"2"}}, `{"ph":2}`, "pH 2 is hardly that of beer or wort, which lie between about 3 and 6.",
		},
		"another wort's °Bx": {
			url.Values{"brix": {"11"}}, `{"brix":11}`, "11 °Bx is above the wort’s own, about 3.4 °Bx",
		},
		"water's °Bx": {
			url.Values{"brix": {"0.1"}}, `{"brix":0.1}`, "0.1 °Bx is less than this wort of 1.0132 SG can show with all its extract fermented, about 0.7 °Bx.",
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := whole(t, nil)
			client, token := c.loggedIn(), c.token()
			c.temper("float-1", 18.2)
			before, err := c.journal.Entries(t.Context(), "pale-12")
			require.NoError(t, err)
			entered := func() int {
				all, err := c.journal.Entries(t.Context(), "pale-12")
				require.NoError(t, err)
				return len(all) - len(before)
			}
			form := c.post(client, path, one.typed)
			require.Equal(t, http.StatusUnprocessableEntity, form.status)
			says := html.UnescapeString(strings.ReplaceAll(form.body, "\u00a0", " "))
			require.Contains(t, says, one.says)
			require.Equal(t, "Nothing was entered yet: correct it, or tick this.", beside(form.body, "sure"))
			script := c.api(http.MethodPost, api, one.script, token)
			require.Equal(t, http.StatusUnprocessableEntity, script.status)
			require.Contains(t, script.body, one.says)
			require.Contains(t, script.body, `"field":"sure"`)
			require.Zero(t, entered(), "nothing was entered")

			word := sure.FindStringSubmatch(form.body)
			require.Len(t, word, 2)
			other := url.Values{"gravity": {"1.1125"}, "sure": {word[1]}}
			require.Equal(t, http.StatusUnprocessableEntity, c.post(client, path, other).status, "the yes was to other values")
			require.Zero(t, entered())

			yes := one.typed
			yes.Set("sure", word[1])
			require.Equal(t, http.StatusSeeOther, c.post(client, path, yes).status)
			r := c.api(http.MethodPost, api, strings.Replace(one.script, "{", `{"sure":true,`, 1), token)
			require.Equal(t, http.StatusNoContent, r.status, r.body)
			require.Equal(t, 2, entered())
		})
	}
	t.Run("what is refused anyway is not asked about", func(t *testing.T) {
		c := whole(t, nil)
		for body, field := range map[string]string{`{"gravity":10.5}`: "gravity", `{"gravity":1.01,"temperature":150}`: "temperature", `{"brix":60}`: "brix"} {
			r := c.api(http.MethodPost, api, body, c.token())
			require.Equal(t, http.StatusUnprocessableEntity, r.status)
			require.Contains(t, r.body, `"field":"`+field+`"`, body)
			require.NotContains(t, r.body, "sure", body)
		}
	})
	// Reading sample and original gravity may err by two points together: who is asked about
	// each sample of fresh wort learns to say yes. The documents say so too.
	t.Run("within what reading errs by", func(t *testing.T) {
		c := whole(t, nil)
		for g, status := range map[string]int{"1.0140": http.StatusNoContent, "1.0151": http.StatusNoContent, "1.0153": http.StatusUnprocessableEntity} {
			require.Equal(t, status, c.api(http.MethodPost, api, `{"gravity":`+g+`}`, c.token()).status, g)
		}
		require.Contains(t, c.api(http.MethodGet, "/api/v1/openapi.json", "", "").body, "more than 0.0020 above the original gravity")
		readme, err := os.ReadFile("../../../README.md")
		require.NoError(t, err)
		require.Contains(t, string(readme), "more than two points above the original gravity")
	})
	t.Run("°F", func(t *testing.T) {
		c := whole(t, nil)
		r := c.post(c.loggedIn(), path, url.Values{"gravity": {"1.0118"}, "temperature": {"19"}, "temperature_unit": {"degF"}})
		require.Contains(t, strings.ReplaceAll(r.body, "\u00a0", " "), "At 19.0 °F beer is ice; the beer was last at 65.1 °F. If it was 19.0 °C, choose °C beside it.")
		require.Equal(t, http.StatusSeeOther, c.post(c.loggedIn(), path, url.Values{"gravity": {"1.0118"}, "temperature": {"19"}, "temperature_unit": {"Cel"}}).status)
	})
}
