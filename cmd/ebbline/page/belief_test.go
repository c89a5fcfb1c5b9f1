package page

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// believe puts a sentence with the belief it was said on into the journal.
func (c *cellar) believe(batch string, v verdict) {
	c.Helper()
	raw, err := json.Marshal(v)
	require.NoError(c, err)
	require.NoError(c, c.journal.Set(c.Context(), SentenceKey(batch), string(raw)))
}

// newer is a belief ten minutes after the last events of pale-12: a hand sample
// showed more alcohol.
func newer() verdict {
	at := noon.Add(10 * time.Minute)
	by, mid := at.Add(2*time.Minute), at.Add(3*time.Hour)
	o := outlook{
		Time: at, CrashBy: &by, Crosses: crossing{Probability: 0.99, P50: &mid},
		ABVIfLeft: quantiles{0.71, 0.81, 0.91}, ABVIfCrashedNow: quantiles{0.48, 0.49, 0.52},
	}
	for i := range 20 {
		o.Dots = append(o.Dots, at.Add(time.Duration(i)*time.Hour))
		o.Fan = append(o.Fan, fanPoint{at.Add(time.Duration(i) * time.Hour), quantiles{1.0085, 1.0090, 1.0095}})
	}
	return verdict{
		Time: at, Text: "Start the crash by 18:42 today.",
		Estimate: &estimate{Time: at, Gravity: 1.0093, GravitySD: 0.0002, ABV: 0.487, ABVSD: 0.031}, Outlook: &o,
	}
}

// Headline, figures, dots, graph and API tell the belief that the sentence was
// said on, also between the events.
func TestTheNewestBeliefIsToldEverywhere(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	c.advance(10 * time.Minute)
	c.believe("pale-12", newer())
	body := c.get(c.loggedIn(), "/batch/pale-12").body
	for _, w := range []string{"Start the crash by 18:42", "0.49", "± 0.03", "1.0093", "0.71", "0.91", "The first is today 18:40"} {
		require.Contains(t, body, w)
	}
	var got batchInfo
	r := c.api(http.MethodGet, "/api/v1/batches/pale-12", "", c.token())
	require.NoError(t, json.Unmarshal([]byte(r.body), &got), r.body)
	require.InDelta(t, 0.487, got.Estimate.ABV, 1e-9)
	require.Equal(t, noon.Add(12*time.Minute), got.Outlook.CrashBy.UTC())
	require.Len(t, got.Outlook.Dots, 20)
	var g graph
	r = c.api(http.MethodGet, "/api/v1/batches/pale-12/series", "", c.token())
	require.NoError(t, json.Unmarshal([]byte(r.body), &g), r.body)
	last := g.Estimate[len(g.Estimate)-1]
	require.InDelta(t, unix(noon.Add(10*time.Minute)), *last[0], 1)
	require.InDelta(t, 1.0093, *last[1], 1e-9)
	require.InDelta(t, *last[0], *g.FanFrom, 1, "the fan begins where the line ends")
	require.InDelta(t, 1.0090, g.Fan[0][2], 1e-9)
}

// Once the crash has started there is one end to tell, and it is the sentence's.
func TestTheEndIsTheSentencesOne(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	ends := func() string {
		_, rest, _ := strings.Cut(c.get(c.loggedIn(), "/batch/pale-12").body, "Where the alcohol ends")
		table, _, _ := strings.Cut(rest, "</table>")
		return table
	}
	require.Regexp(t, `left alone</th><td>0\.61</td>.*crashed now</th><td>0\.36</td>`, ends())
	require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", noon, ""))
	v, started := newer(), noon
	v.CrashStarted = &started
	c.believe("pale-12", v)
	require.Regexp(t, `as it cools</th><td>0\.71</td><td>0\.81</td><td>0\.91</td>`, ends())
	require.NotContains(t, ends(), "0.48", "what a crash would have made of it is no news any more")
}

// While the sentence stays the same, newer events are the newer belief.
func TestNewerEventsGoBeforeAnOlderSentence(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	v := newer()
	v.Estimate.Time, v.Outlook.Time = noon.Add(-time.Hour), noon.Add(-time.Hour)
	c.believe("pale-12", v)
	b, ok, err := c.server.find(t.Context(), "pale-12")
	require.NoError(t, err)
	require.True(t, ok)
	st, err := c.server.status(t.Context(), b)
	require.NoError(t, err)
	require.Equal(t, noon, st.Outlook.Time.UTC())
	require.Len(t, st.Outlook.Dots, 19, "its own, not those of the sentence")

	later := noon.Add(15 * time.Minute)
	bare := &status{Outlook: &outlook{Time: later}, Estimate: &estimate{Time: later}}
	bare.prefer(v.Estimate, v.Outlook)
	require.Equal(t, later, bare.Outlook.Time)
	require.Len(t, bare.Outlook.Dots, 20, "an event without dots takes the last ones drawn")
	require.Len(t, bare.Outlook.Fan, 19, "and what is left of the fan")
	require.False(t, bare.Outlook.Fan[0].Time.Before(later), "the past is not projected")
	half := &status{}
	half.prefer(v.Estimate, nil)
	require.Nil(t, half.Estimate, "half a belief is none")
}

// The day of pitch is day 1 and days change at the brewer's midnight.
func TestDaysAreTheBrewersCalendarDays(t *testing.T) {
	t.Parallel()
	west := time.FixedZone("west", -5*3600)
	pitched := time.Date(2026, 3, 3, 22, 0, 0, 0, west)
	st := &status{}
	st.About.PitchedAt = pitched.UTC()
	for after, want := range map[time.Duration]int{0: 1, 119 * time.Minute: 1, 2 * time.Hour: 2, 25 * time.Hour: 2, 26 * time.Hour: 3} {
		require.Equal(t, want, day(st, pitched.Add(after).UTC(), west), after)
	}
	c := newCellar(t, func(o *Options) { o.Location = west })
	p := pale()
	p.PitchedAt = pitched
	c.start(p)
	require.Contains(t, c.get(c.loggedIn(), "/batch/pale-12").body, "Day 3, pitched")
}

// A moment to start the crash by that has passed since the sentence was worded is not
// left standing as if it lay ahead.
func TestADeadlineThatHasPassedSaysSo(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b, token := c.loggedIn(), c.token()
	c.advance(10 * time.Minute)
	c.believe("pale-12", newer()) // by 18:42, and it is 18:40
	said := func(want bool, why string) {
		for _, path := range []string{"/", "/batch/pale-12"} {
			require.Equal(t, want, strings.Contains(c.get(b, path).body, "That moment has passed: start it at once."), "%s %s", path, why)
		}
		require.Equal(t, want, strings.Contains(c.api(http.MethodGet, "/api/v1/batches/pale-12", "", token).body, "has passed"), why)
	}
	said(false, "it lies ahead")
	c.advance(3 * time.Minute)
	said(true, "it has passed")
	late := newer()
	late.Time, late.Text = noon.Add(13*time.Minute), "Start the crash now. The moment for the accepted risk has come and gone."
	late.Estimate.Time, late.Outlook.Time = late.Time, late.Time
	c.believe("pale-12", late)
	said(false, "the sentence says it itself")
	c.believe("pale-12", newer())
	require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", c.Now(), ""))
	said(false, "it has started")
}

// A brewer who has just started the crash is not told to start it, and figures of before
// do not pass for those of a beer that cools; where no look follows, what was said holds.
func TestACrashJustEnteredIsNotAskedFor(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b, token := c.loggedIn(), c.token()
	c.advance(10 * time.Minute)
	c.believe("pale-12", newer())
	const urgent, waits = `class="verdict urgent"`, "How it will end is being worked out."
	shows := func(asked, waiting, cooling bool, why string) {
		page := c.get(b, "/batch/pale-12").body
		require.Equal(t, asked, strings.Contains(page, urgent), why)
		require.Equal(t, waiting, strings.Contains(page, waits), why)
		require.Equal(t, cooling, strings.Contains(page, "as it cools"), why)
		require.Equal(t, cooling, !strings.Contains(page, "left alone"), why)
		require.Equal(t, waiting, strings.Contains(c.get(b, "/").body, waits), why)
		require.Equal(t, waiting, strings.Contains(c.api(http.MethodGet, "/api/v1/batches/pale-12", "", token).body, waits), why)
	}
	shows(true, false, false, "it is due")
	require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", c.Now(), ""))
	c.advance(time.Second)
	shows(false, true, false, "it is entered")
	c.advance(-time.Hour)
	shows(true, false, false, "the clock was set back")
	c.advance(time.Hour + lookTakes)
	shows(true, false, false, "no look came")
	older := newer()
	older.Time, older.Outlook.Time = c.Now().Add(2*lookTakes), c.Now().Add(2*lookTakes)
	c.believe("pale-12", older)
	shows(true, false, true, "a sentence that does not say what it knows, long after the entry")
	looked := newer()
	started := noon.Add(10 * time.Minute)
	looked.CrashStarted = &started
	c.believe("pale-12", looked)
	shows(true, false, true, "it has looked; the alert is still open")
}
