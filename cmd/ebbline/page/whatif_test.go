package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

// supposing adds to the deeds a brewer's belief of one batch: projection's own,
// by the usual course alone.
type supposing struct {
	Actions
	mu     sync.Mutex
	belief *projection.Estimator
}

func (a *supposing) Suppose(_ context.Context, _ string, c Choice) (projection.Supposed, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	var hold *gravity.Celsius
	if c.Hold != nil {
		t := gravity.Celsius(*c.Hold)
		hold = &t
	}
	return a.belief.Suppose(hold, c.Crash), nil
}

// withSuppose is an option for a cellar whose batches can be asked “what if”.
func withSuppose(t testing.TB) func(*Options) {
	b := pale()
	e, err := projection.New(b)
	require.NoError(t, err)
	e.Advance(b.PitchedAt.Add(48 * time.Hour))
	return func(o *Options) { o.Actions = &supposing{Actions: o.Actions, belief: e} }
}

func (c *cellar) whatIf(query url.Values) (a supposition) {
	c.Helper()
	r := c.api(http.MethodGet, "/api/v1/batches/pale-12/what-if?"+query.Encode(), "", c.token())
	require.Equal(c, http.StatusOK, r.status, r.body)
	require.NoError(c, json.Unmarshal([]byte(r.body), &a))
	return a
}

// The answer is the belief's own, and what is left of the ceiling is the ceiling
// less the strength.
func TestWhatIfIsTheBeliefsAnswer(t *testing.T) {
	t.Parallel()
	c := whole(t, withSuppose(t))
	at := noon.Add(6 * time.Hour)
	warm, cold := 24.0, 8.0
	a := c.whatIf(url.Values{"crash_at": {at.Format(time.RFC3339)}, "hold": {"24"}})
	want, err := c.server.opts.Actions.(Supposer).Suppose(t.Context(), "pale-12", Choice{Crash: at, Hold: &warm})
	require.NoError(t, err)
	require.Equal(t, quantilesOf(want.ABV), a.ABV)
	require.InDelta(t, want.Over, a.Over, 1e-9)
	require.InDelta(t, 0.5-a.ABV.P50, a.Unused.P50, 1e-9)
	require.InDelta(t, 0.5-a.ABV.P90, a.Unused.P10, 1e-9)
	require.Equal(t, at, a.CrashAt.UTC())
	b := c.whatIf(url.Values{"crash_at": {fmt.Sprint(at.Unix())}, "hold": {fmt.Sprint(cold)}})
	require.Less(t, b.ABV.P50, a.ABV.P50, "colder until the crash is weaker")
	require.Nil(t, c.whatIf(url.Values{}).Hold)
}

func TestWhatIfRefusesWhatMakesNoSense(t *testing.T) {
	t.Parallel()
	c := whole(t, withSuppose(t))
	for query, field := range map[string]string{
		"crash_at=tomorrow": "crash_at", "crash_at=2026-03-01T00:00:00Z": "crash_at", "crash_at=2027-03-01T00:00:00Z": "crash_at",
		"hold=warm": "hold", "hold=NaN": "hold", "hold=-40": "hold", "hold=99": "hold",
	} {
		r := c.api(http.MethodGet, "/api/v1/batches/pale-12/what-if?"+query, "", c.token())
		require.Equal(t, http.StatusUnprocessableEntity, r.status, query)
		require.Contains(t, r.body, `"field":"`+field+`"`, query)
	}
	r := c.api(http.MethodGet, "/api/v1/batches/stout-2/what-if", "", c.token())
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	require.Contains(t, r.body, "packaged")
	require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", noon, ""))
	body := c.get(c.loggedIn(), "/batch/pale-12/what-if").body
	require.Contains(t, body, "The crash has started")
	require.NotContains(t, c.get(c.loggedIn(), "/batch/pale-12").body, "What if")
	require.Contains(t, whole(t, nil).api(http.MethodGet, "/api/v1/batches/pale-12/what-if", "", "").body, "answers no")
}

// However many ask, the daemon keeps its time for the beer.
func TestQuestionsAreBounded(t *testing.T) {
	t.Parallel()
	wall := noon
	with := withSuppose(t)
	c := whole(t, func(o *Options) { with(o); o.Wall = func() time.Time { return wall } })
	ask := func() reply { return c.api(http.MethodGet, "/api/v1/batches/pale-12/what-if", "", "") }
	for range atOnce {
		require.Equal(t, http.StatusOK, ask().status)
	}
	r := ask()
	require.Equal(t, http.StatusTooManyRequests, r.status)
	require.Equal(t, "1", r.header.Get("Retry-After"))
	require.Contains(t, r.body, "Try again in a second")
	wall = wall.Add(time.Second)
	require.Equal(t, http.StatusOK, ask().status)
}

// The page without scripts: the form's own request is answered, in words.
func TestWhatIfInWords(t *testing.T) {
	t.Parallel()
	c := whole(t, withSuppose(t))
	b := c.loggedIn()
	body := c.get(b, "/batch/pale-12/what-if?in=6&hold=yes&at=8").body
	for _, w := range []string{"in 6 h, tomorrow 00:30", `value="8"`, " checked", "8.0 °C", "Left alone", "of 20 cases", "% ABV unused"} {
		require.Contains(t, body, w)
	}
	body = c.get(b, "/batch/pale-12/what-if?in=nonsense&at=900").body
	require.NotContains(t, body, "checked")
	require.Contains(t, body, `value="19"`, "the temperature now")
	require.Contains(t, c.get(b, "/batch/pale-12").body, `href="/batch/pale-12/what-if"`)
}

// A crash by that the answer contradicts is not told beside it.
func TestTheCrashByIsToldOnlyWhereItFits(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	by, before, after, warm := noon.Add(time.Hour), noon, noon.Add(2*time.Hour), 20.0
	st := &status{About: pale()}
	until := func(at time.Time, over float64, hold *float64) *time.Time {
		return c.server.supposedIn(st, &supposition{CrashAt: at, Over: over, Accepted: 0.05, Hold: hold, CrashBy: &by}).Until
	}
	require.Equal(t, &by, until(before, 0.01, nil))
	require.Equal(t, &by, until(after, 0.2, nil))
	require.Nil(t, until(before, 0.2, nil))
	require.Nil(t, until(after, 0.01, nil))
	require.Nil(t, until(before, 0.01, &warm))
}

func TestFrequenciesNeverPromiseMoreThanHolds(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{
		1: "more than 99 of 100 cases", 0.97: "97 of 100 cases", 0.95: "19 of 20 cases", 0.949: "18 of 20 cases", 0.5: "10 of 20 cases", 0.01: "fewer than 1 of 20 cases",
	} {
		require.Equal(t, want, holdsIn(p))
	}
	require.Equal(t, "1 in 20", oneOf(0.05))
	require.Equal(t, "3 in 100", oneOf(0.03))
}
