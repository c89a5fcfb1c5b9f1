package page

import (
	"fmt"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// A packaging ends the batch for good, so its time is asked to make sense: not before
// the pitch, nor before the crash that is recorded. Nothing is entered otherwise, not
// even the pH beside it; it cannot be struck out, and the answer says why.
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
	r := c.api(http.MethodPost, fmt.Sprintf("%sentries/%d/strike", api, last.Seq), "", token)
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	require.Contains(t, r.body, "A packaging cannot be struck out: it has ended the batch")
	require.Equal(t, http.StatusNotFound, c.api(http.MethodPost, api+"entries/99999/strike", "", token).status)
}
