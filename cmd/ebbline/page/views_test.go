package page

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// Years of finished batches are listed a page at a time, the newest first, and
// each once.
func TestFinishedBatchesComeByThePage(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	const all = 2*finishedAtOnce + 5
	for i := range all {
		b := pale()
		b.ID, b.Name, b.Sensors = fmt.Sprintf("old-%d", i), fmt.Sprintf("Old %d.", i), []string{fmt.Sprintf("float-%d", i)}
		b.PitchedAt = noon.Add(-time.Duration(1000+i) * time.Hour)
		c.start(b)
		require.NoError(t, c.journal.EndBatch(t.Context(), b.ID, b.PitchedAt.Add(90*time.Hour)))
	}
	client := c.loggedIn()
	next, seen := "/", 0
	for page := 1; ; page++ {
		body := c.get(client, next).body
		found := regexp.MustCompile(`<span>Old (\d+)\.</span>`).FindAllStringSubmatch(body, -1)
		for _, f := range found {
			require.Equal(t, fmt.Sprint(seen), f[1])
			seen++
		}
		older := regexp.MustCompile(`href="([^"]*)">Older<`).FindStringSubmatch(body)
		require.Equal(t, page > 1, strings.Contains(body, ">Newer<"))
		if older == nil {
			require.Equal(t, 3, page)
			break
		}
		next = older[1]
	}
	require.Equal(t, all, seen)
	for _, odd := range []string{"99", "-1", "x"} {
		require.Equal(t, http.StatusOK, c.get(client, "/?finished="+odd).status)
	}
	require.Contains(t, c.get(client, "/?finished=99").body, fmt.Sprintf("Old %d.", all-1))
}

// A scale is chosen by a write of our own page, kept by this browser, and leads
// back only to a page of ours.
func TestScalesAreChosenSafely(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b, other := c.loggedIn(), c.loggedIn()
	r := c.post(b, "/units", url.Values{"scale": {"plato"}, "to": {"/batch/pale-12"}})
	require.Equal(t, http.StatusSeeOther, r.status)
	require.Equal(t, "/batch/pale-12", r.header.Get("Location"))
	require.Contains(t, c.get(b, "/batch/pale-12").body, `data-gravity="plato"`)
	require.Contains(t, c.get(b, "/").body, "°P")
	require.Contains(t, c.get(other, "/batch/pale-12").body, `data-gravity="sg"`)
	for _, to := range []string{"https://elsewhere.example/", "//elsewhere.example", "/a/x", ""} {
		require.Equal(t, "/", c.post(b, "/units", url.Values{"scale": {"sg"}, "to": {to}}).header.Get("Location"), to)
	}
	require.Equal(t, http.StatusUnprocessableEntity, c.post(b, "/units", url.Values{"scale": {"furlong"}}).status)
	require.Equal(t, http.StatusForbidden, c.post(b, "/units", url.Values{"scale": {"sg"}}, "Sec-Fetch-Site", "cross-site").status)
}

// By the batch's own rule the table says what the figure says; the cautious rule
// is the highest of all.
func TestStrengthByEveryRule(t *testing.T) {
	t.Parallel()
	b := pale()
	e := &estimate{ABV: 0.42, ABVSD: 0.05}
	for _, own := range gravity.Rules() {
		b.Rule = own
		all := byRules(b, e)
		require.Len(t, all, len(gravity.Rules()))
		var values []string
		for _, r := range all {
			values = append(values, r.Value)
			if r.Own {
				require.Equal(t, string(own), r.Rule)
				require.InDelta(t, 0.42, parsed(t, r.Value), 0.011, "hmrc counts in steps")
				require.InDelta(t, 0.05, parsed(t, r.Spread), 0.011)
			}
		}
		require.Equal(t, slices.Max(values), all[len(all)-1].Value)
	}
	require.Empty(t, byRules(b, nil))
	b.OriginalGravity = 0
	require.Empty(t, byRules(b, e))
}

func parsed(t *testing.T, text string) float64 {
	t.Helper()
	v, err := number(text)
	require.NoError(t, err)
	return v
}

// What batch.js imports, and what that imports, is asked for with the page.
func TestEveryModuleIsAskedForAtOnce(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	imports := regexp.MustCompile(`(?m)^import .*"\./(\w+\.js)";$`)
	want := map[string]bool{}
	var follow func(string)
	follow = func(name string) {
		for _, m := range imports.FindAllStringSubmatch(string(c.server.assets[name].plain), -1) {
			if !want[m[1]] {
				want[m[1]] = true
				follow(m[1])
			}
		}
	}
	follow("batch.js")
	require.GreaterOrEqual(t, len(want), 5)
	body := c.get(c.loggedIn(), "/batch/pale-12").body
	got := regexp.MustCompile(`rel="modulepreload" href="/assets/(\w+\.js)"`).FindAllStringSubmatch(body, -1)
	require.Len(t, got, len(want))
	for _, m := range got {
		require.True(t, want[m[1]], m[1])
	}
}

// Crossing times beyond the end of the row are drawn as such, and said.
func TestLaterCrossingsAreMarked(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	o := &outlook{}
	for i := range allDots {
		o.Dots = append(o.Dots, noon.Add(time.Duration(i)*4*time.Hour))
	}
	row := c.server.dotRow(&status{Outlook: o})
	require.Len(t, row.Dots, allDots)
	later := 0
	for i, d := range row.Dots {
		require.Equal(t, o.Dots[i].Sub(noon) > nearEnough+12*time.Hour, d.Later)
		if d.Later {
			later++
		}
	}
	require.Equal(t, 4, later)
	require.Contains(t, row.Words, "The 4 hollow ones lie later")
}
