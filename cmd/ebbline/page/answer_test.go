package page

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// A link in a notification must work for someone who is not logged in, with
// nothing but its token; looking must never answer.
func TestLookingAtALinkAnswersNothing(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for range 3 {
		r := c.get(c.browser(), "/a/tok-urgent")
		require.Equal(t, http.StatusOK, r.status)
		require.Contains(t, r.body, "Start the crash now")
	}
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.Nil(t, a.Acknowledged)
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 2)
}

// Contract §8: a POST with an empty body acknowledges.
func TestAnEmptyPostAcknowledgesOnce(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	var first time.Time
	for i := range 3 {
		r := c.do(c.browser(), c.request(http.MethodPost, "/a/tok-urgent", ""))
		require.Equal(t, http.StatusOK, r.status, r.body)
		require.Equal(t, "application/json", r.header.Get("Content-Type"))
		a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
		require.NoError(t, err)
		require.NotNil(t, a.Acknowledged)
		if i == 0 {
			first = *a.Acknowledged
		}
		require.Equal(t, first, *a.Acknowledged, "three taps equal one")
		c.advance(time.Minute)
	}
}

// The button in a browser's notification is sent by the notification service's
// page; the token is its authority.
func TestALinkAnswersFromElsewhere(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	r := c.do(c.browser(), c.request(http.MethodPost, "/a/tok-urgent", "", "Origin", "https://push.example", "Sec-Fetch-Site", "cross-site"))
	require.Equal(t, http.StatusOK, r.status, r.body)
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.NotNil(t, a.Acknowledged)
}

func TestAFormPostAnswersWithAPage(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	r := c.post(c.browser(), "/a/tok-urgent", url.Values{"do": {"acknowledge"}})
	require.Equal(t, http.StatusOK, r.status)
	require.Contains(t, r.body, "will not ring again")
	require.NotContains(t, r.body, "I have seen it</button>")
}

func TestAForgedLinkIsNotFound(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for _, token := range []string{"tok-urgenT", "x", "tok-urgent%00", "..%2ftok-urgent", "%27%20OR%201=1"} {
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			r := c.do(c.browser(), c.request(method, "/a/"+token, "", "Accept", "text/html"))
			require.Equal(t, http.StatusNotFound, r.status, "%s %s", method, token)
			require.Contains(t, r.body, "This link opens no alert", token)
		}
	}
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.Nil(t, a.Acknowledged)
}

func TestRemindInAnHour(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for range 3 {
		r := c.post(c.browser(), "/a/tok-urgent", url.Values{"do": {"remind"}})
		require.Equal(t, http.StatusOK, r.status)
		c.advance(10 * time.Second)
	}
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.Nil(t, a.Acknowledged)
	require.Equal(t, noon.Add(time.Hour), *a.SnoozedUntil, "three taps equal one")
}

// "Crash started" by the link enters one crash, however often it is tapped,
// and also stops the ringing.
func TestCrashStartedByTheLink(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for range 3 {
		r := c.post(c.browser(), "/a/tok-urgent", url.Values{"do": {"crash"}})
		require.Equal(t, http.StatusOK, r.status, r.body)
		c.advance(time.Minute)
	}
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	var crashes []journal.Entry
	for _, e := range entries {
		if e.Kind == journal.CrashStarted {
			crashes = append(crashes, e)
		}
	}
	require.Len(t, crashes, 1)
	require.Equal(t, noon, crashes[0].Time)
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.NotNil(t, a.Acknowledged)
}

func TestAnUnknownButtonChangesNothing(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	r := c.post(c.browser(), "/a/tok-urgent", url.Values{"do": {"delete"}})
	require.Equal(t, http.StatusBadRequest, r.status)
	a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
	require.NoError(t, err)
	require.Nil(t, a.Acknowledged)
}

// The API tells alerts without the tokens of their links: a token that reads
// must not be able to answer.
func TestTheAPIKeepsLinkTokensToItself(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	r := c.api(http.MethodGet, "/api/v1/alerts?open=true", "", c.token())
	require.Equal(t, http.StatusOK, r.status)
	require.NotContains(t, r.body, "tok-urgent")
	var got struct{ Alerts []alertInfo }
	require.NoError(t, json.Unmarshal([]byte(r.body), &got))
	require.Len(t, got.Alerts, 1)
	require.Equal(t, "pale-12/crash-now/1", got.Alerts[0].ID)
}

// The token of a link must not stand in the log.
func TestTheLogHoldsNoTokens(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	j, err := journal.Open(t.TempDir(), journal.Options{})
	require.NoError(t, err)
	c := newCellar(t, func(o *Options) {
		o.Journal = j
		o.Logger = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	require.NoError(t, j.Close())
	w := httptest.NewRecorder()
	c.server.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodPost, "http://127.0.0.1/a/tok-secret", nil))
	require.GreaterOrEqual(t, w.Code, 500)
	require.NotContains(t, log.String()+w.Body.String(), "tok-secret")
}

// inOrder finds the texts one after the other.
func inOrder(t *testing.T, body string, want ...string) {
	t.Helper()
	at := -1
	for _, w := range want {
		next := strings.Index(body, w)
		require.Greater(t, next, at, "%q in its place", w)
		at = next
	}
}

// A link may be opened long after its message: what is believed now goes first,
// and beside it stands when the alert was told.
func TestALinkTellsWhatIsBelievedNow(t *testing.T) {
	t.Parallel()
	const sentence, more = "Start the crash by 19:20 today (± 40 min).", "In 19 of 20 cases the ceiling of 0.5 % ABV then holds."
	ask := func(kind, message string, change func(*cellar, journal.Alert)) string {
		t.Helper()
		c := newCellar(t, nil)
		c.start(pale())
		a := urgent("pale-12", "tok")
		a.ID, a.Kind, a.Title, a.Message = "pale-12/"+kind+"/1", kind, "As it was", message
		c.say(pale(), verdict{Text: sentence + " " + more}, 50*time.Minute, a)
		if change != nil {
			change(c, a)
		}
		return strings.ReplaceAll(c.get(c.browser(), "/a/tok").body, "\u00a0", " ")
	}
	body := ask("crash-now", "Start the crash now, or keg and chill.", nil)
	inOrder(t, body, "<h1 class=\"sentence\">"+sentence+"</h1>", more, "worked out today 18:30", `value="crash"`, "What this alert said", "<strong>As it was</strong>", "Start the crash now, or keg and chill.", "Told today 18:25")
	require.Equal(t, 1, strings.Count(body, "<h1"))

	body = ask("crash-now", sentence+" "+more+" Then enter it.", nil)
	inOrder(t, body, "<h1 class=\"sentence\">As it was</h1>", sentence, "told today 18:25", `value="crash"`)
	require.Equal(t, 1, strings.Count(body, sentence), "what is the same is said once")

	body = ask("sensor-silent", "Nothing has come from float-1 since yesterday.", nil)
	inOrder(t, body, "<h1 class=\"sentence\">As it was</h1>", `value="acknowledge"`, "The batch now", sentence)

	body = ask("sensor-silent", "Nothing has come from float-1 since yesterday.", func(c *cellar, a journal.Alert) {
		require.NoError(t, c.journal.Say(t.Context(), "pale-12", 0, nil, nil, nil, []string{a.ID}, noon, nil))
	})
	inOrder(t, body, "<h1 class=\"sentence\">"+sentence+"</h1>", "no longer holds since", "What this alert said")
}

// The words follow the scales that the reader has chosen, on every page that says
// what to do.
func TestWordsFollowTheChosenScales(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	c.say(pale(), verdict{
		Text: "Cool it to 2.0 °C.", In: map[string]string{"sg.degF": "Cool it to 35 °F.", "plato.degF": "Cool it to 35 °F, from 3.0 °P."},
	}, time.Hour, urgent("pale-12", "tok"))
	b := c.loggedIn()
	says := func(want string) {
		t.Helper()
		for _, path := range []string{"/", "/batch/pale-12", "/a/tok"} {
			require.Contains(t, strings.ReplaceAll(c.get(b, path).body, "\u00a0", " "), want, path)
		}
	}
	says("Cool it to 2.0 °C.")
	c.post(b, "/units", url.Values{"scale": {"degF"}})
	says("Cool it to 35 °F.")
	c.post(b, "/units", url.Values{"scale": {"plato"}})
	says("Cool it to 35 °F, from 3.0 °P.")
	c.post(b, "/units", url.Values{"scale": {"Cel"}})
	says("Cool it to 2.0 °C.")
	c.temper("float-1", 19.4)
	c.post(b, "/units", url.Values{"scale": {"degF"}})
	require.Contains(t, strings.ReplaceAll(c.get(b, "/batch/pale-12/package").body, "\u00a0", " "), "This beer is at 66.9 °F, and no crash is recorded.")
}

// Where the crash is asked for, its button comes first, with the deadline of
// the latest belief beside it; "seen" says that nothing else was entered.
func TestTheCrashComesFirstWhereItIsAskedFor(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"crash-now", "crash-soon", "not-cooling", "sensor-silent"} {
		t.Run(kind, func(t *testing.T) {
			c := newCellar(t, nil)
			c.start(pale())
			a := urgent("pale-12", "tok")
			a.ID, a.Kind = "pale-12/"+kind+"/1", kind
			c.say(pale(), verdict{Text: "Start the crash by 18:55 today."}, 25*time.Minute, a)
			c.advance(10 * time.Minute)
			c.believe("pale-12", newer())
			body := c.get(c.browser(), "/a/tok").body
			seen := c.post(c.browser(), "/a/tok", url.Values{"do": {"acknowledge"}}).body
			require.Contains(t, seen, "This alert will not ring again; others of this batch still do.")
			require.Contains(t, seen, `value="crash"`, "the crash can still be entered")
			if kind == "sensor-silent" {
				inOrder(t, body, `value="acknowledge"`, `value="remind"`, `class="second" name="do" value="crash"`)
				require.NotContains(t, body, "Crash by")
				require.NotContains(t, seen, "No crash is recorded")
				return
			}
			inOrder(t, body, "Crash by today 18:42, in 2 min.", `class="large" name="do" value="crash"`, `class="second" name="do" value="acknowledge"`, `class="second" name="do" value="remind"`)
			require.Contains(t, seen, "No crash is recorded: press “The crash has started” when the cooling is on")
			require.Equal(t, kind == "crash-now", strings.Contains(seen, "when the cooling is on; the phone asks again if the beer does not get colder."))
			c.advance(10 * time.Minute)
			require.Contains(t, c.get(c.browser(), "/a/tok").body, "Crash now: the latest moment has passed.")
			started := c.post(c.browser(), "/a/tok", url.Values{"do": {"crash"}}).body
			require.NotContains(t, started, "<button", "nothing is left to answer")
			require.NotContains(t, started, "latest moment")
		})
	}
}

// Words of before are told with the day of then, and first, found out late or not:
// dates stand in them for the "today" and "tomorrow" of then.
func TestOldWordsSayOfWhenTheyAre(t *testing.T) {
	t.Parallel()
	for name, late := range map[string]time.Duration{"told": 0, "found out late": 17 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			behind := false
			c := newCellar(t, func(o *Options) { o.CatchingUp = func(string) bool { return behind } })
			c.start(pale())
			a := urgent("pale-12", "tok")
			a.ID, a.Title, a.Message = "pale-12/crash-soon/1", "Crash moved to 01:00 tomorrow, Fri: "+pale().Name, "Start it by 01:00 tomorrow, Fri."
			a.Kind, a.Recorded = "crash-soon", a.Raised.Add(late)
			silent := urgent("pale-12", "tok-silent")
			silent.ID, silent.Kind, silent.Title, silent.Recorded = "pale-12/sensor-silent/1", "sensor-silent", "Silent since 13:00 today", silent.Raised.Add(late)
			c.say(pale(), verdict{Text: "Nothing to do."}, time.Hour, a, silent)
			b := c.loggedIn()
			text := func(path string) string { return strings.ReplaceAll(c.get(b, path).body, "\u00a0", " ") }
			if late == 0 {
				require.NotContains(t, text("/batch/pale-12")+text("/a/tok")+text("/a/tok-silent"), "As it looked", "they are of now")
			}
			c.advance(18 * time.Hour)
			const then, now = "As it looked Thu 5 Mar 18:25:", "above stands what is believed now"
			page := text("/batch/pale-12")
			inOrder(t, page, then, "Crash moved to 01:00 on Fri 6 Mar</span></h3>", now, "Start it by 01:00 on Fri 6 Mar")
			if late > 0 {
				inOrder(t, page, then, "Due yesterday 18:25, found out today 11:25; "+now)
			}
			require.Contains(t, page, "“Crash moved to 01:00 on Fri 6 Mar”", "what happened")
			inOrder(t, text("/a/tok"), "What this alert said", then, "Crash moved to 01:00 on Fri 6 Mar")
			inOrder(t, text("/a/tok-silent"), then, "Silent since 13:00 on Thu 5 Mar</h1>", "The batch now")
			behind = true
			require.NotContains(t, text("/batch/pale-12"), now, "nothing is, while it catches up")
			require.Contains(t, text("/batch/pale-12"), then)
		})
	}
}

// An alert that was found out hours after it fell due says both, wherever it is
// listed: nobody was told at the time at which it stands.
func TestWhatWasFoundOutLateSaysSo(t *testing.T) {
	t.Parallel()
	for name, kind := range map[string]string{"of a sensor": "sensor-silent", "of the course": "crash-soon"} {
		t.Run(name, func(t *testing.T) {
			c := newCellar(t, nil)
			c.start(pale())
			a := urgent("pale-12", "tok")
			a.ID, a.Kind, a.Severity, a.Raised, a.Recorded = "pale-12/"+kind+"/1", kind, "warning", noon.Add(-5*time.Hour), noon.Add(-10*time.Minute)
			c.say(pale(), verdict{Text: "Nothing to do."}, time.Hour, a)
			b := c.loggedIn()
			for path, says := range map[string]string{
				"/a/tok": "ue today 13:30, found out today 18:20", "/batch/pale-12": "Due today 13:30, found out today 18:20",
				"/batch/pale-12/report": ", found out 5 Mar 18:20",
			} {
				body := c.get(b, path).body
				require.Contains(t, body, says, path)
				require.NotContains(t, body, "old today 13:30", path)
			}
			require.Contains(t, c.get(b, "/batch/pale-12").body, " – found out today 18:20", "what happened")
		})
	}
}
