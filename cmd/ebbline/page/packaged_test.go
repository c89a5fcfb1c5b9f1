package page

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// A packaging ends the batch, so its time is asked to make sense: not before the pitch,
// nor before the crash that is recorded. Nothing is entered otherwise, not even the pH
// beside it.
func TestAPackagingLiesAfterPitchAndCrash(t *testing.T) {
	t.Parallel()
	const path, api = "/batch/pale-12/package", "/api/v1/batches/pale-12/"
	c := whole(t, nil)
	client, token := c.loggedIn(), c.token()
	crash := noon.Add(-3*time.Hour + 30*time.Second)
	require.NoError(t, c.deeds.CrashStarted(t.Context(), "pale-12", crash, ""))
	before, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	form := func(at time.Time) reply {
		return c.post(client, path, url.Values{"into": {"keg"}, "acid": {"yes"}, "warm": {"yes"}, "ph": {"4.1"}, "time": {at.Format(localTime)}})
	}
	script := func(at time.Time) reply {
		return c.api(http.MethodPost, api+"actions", fmt.Sprintf(`{"action":"packaged","into":"keg","warm":true,"acid":true,"time":%q}`, at.Format(time.RFC3339)), token)
	}
	for says, at := range map[string]time.Time{
		"That is before the crash, which is entered as started today 15:30. Enter when it was packaged; if the crash is wrong, correct it first, under What happened.": noon.Add(-24 * time.Hour),
		"That is before the batch was pitched": pale().PitchedAt.Add(-time.Hour),
	} {
		r := script(at)
		require.Equal(t, http.StatusUnprocessableEntity, r.status)
		require.Contains(t, r.body, says)
		require.Contains(t, r.body, `"field":"time"`)
		r = form(at)
		require.Equal(t, http.StatusUnprocessableEntity, r.status)
		require.Contains(t, beside(r.body, "time"), says)
	}
	after, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, before, after, "nothing was entered")
	require.Equal(t, http.StatusSeeOther, form(crash).status, "in the minute of the crash: a form knows no seconds")

	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	last := entries[len(entries)-1]
	require.Equal(t, journal.Packaged, last.Kind)
	require.Equal(t, http.StatusNotFound, c.api(http.MethodPost, api+"entries/99999/strike", "", token).status)
	require.Equal(t, http.StatusNoContent, c.api(http.MethodPost, fmt.Sprintf("%sentries/%d/strike", api, last.Seq), "", token).status)
	b, err := c.journal.Batch(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Nil(t, b.Ended)
}

// Where a packaging is entered and listed stands what can be done about it: it can be
// struck out, but no other entry put in its place. Struck out it is marked, on the report
// too, and the page does not say that the beer is packaged.
func TestAPackagingCanBeStruckOut(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	client := c.loggedIn()
	shows := func(path string) string { t.Helper(); return c.get(client, "/batch/pale-12"+path).body }
	require.Contains(t, shows("/package"), "it can be struck out under What happened, until one of its sensors has been in another batch.")
	require.NoError(t, c.deeds.Packaged(t.Context(), "pale-12", Package{Time: noon, Into: "keg"}))
	all, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	of := strconv.FormatInt(all[len(all)-1].Seq, 10)
	list := shows("/record")
	require.Contains(t, list, "only its notes can be changed. If it is not, strike its packaging out.")
	require.Contains(t, list, `href="/batch/pale-12/strike?of=`+of)
	form := shows("/strike?of=" + of)
	require.Contains(t, form, "Kegged, today 18:30")
	require.Contains(t, form, "What float-1 gave meanwhile counts as of this beer, and what has come due meanwhile is told.")
	const instead = "A packaging is not corrected by another entry"
	require.Contains(t, shows("/note?of="+of), instead)
	require.Contains(t, c.post(client, "/batch/pale-12/note", url.Values{"of": {of}, "text": {"No."}}).body, instead)
	require.Contains(t, shows(""), "Packaged today 18:30")

	r := c.post(client, "/batch/pale-12/strike", url.Values{"of": {of}, "key": {"k"}})
	require.Equal(t, "/batch/pale-12?done=unpacked", r.header.Get("Location"), r.body)
	require.Contains(t, shows("?done=unpacked"), "The packaging is struck out: this batch is watched again.")
	require.NotContains(t, shows(""), "Packaged today")
	require.Contains(t, shows("/record"), "<s>Kegged</s> (struck out)")
	require.NotContains(t, shows("/report"), "after pitch</td>")
}

// Until the batch is looked at again, what was said last is of a keg, and is not shown.
func TestWhatWasSaidOfAKegIsNotShown(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	client := c.loggedIn()
	at := noon
	c.say(pale(), verdict{Text: "Keep it at 5 °C or below: packaged at 18:30.", Packaged: &at}, time.Hour)
	require.NoError(t, c.deeds.Packaged(t.Context(), "pale-12", Package{Time: noon, Into: "keg"}))
	require.Contains(t, c.get(client, "/batch/pale-12").body, "Keep it at 5")
	require.NoError(t, c.deeds.Strike(t.Context(), "pale-12", Strike{Seq: 1, Time: noon}))
	for _, path := range []string{"/", "/batch/pale-12"} {
		body := c.get(client, path).body
		require.NotContains(t, body, "Keep it at 5", path)
		require.Contains(t, body, "The packaging is struck out.", path)
	}
}
