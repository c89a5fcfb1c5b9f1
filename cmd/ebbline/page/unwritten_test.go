package page

import (
	"errors"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// What a person or a script sends while the record cannot be written is answered
// with why, that none of it is stored, and what to do; so is the right password.
func TestWhatIsSentToARecordThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	c := cellarIn(t, dir, nil)
	c.fill()
	client, stranger := c.loggedIn(), c.browser()
	require.Equal(t, http.StatusOK, c.get(client, "/batch/pale-12").status)
	record := filepath.Join(dir, journal.FileName)
	require.NoError(t, os.Rename(record, record+".away")) // a full disk: TestDiskThatFails
	said := func(r reply) {
		t.Helper()
		require.Equal(t, http.StatusServiceUnavailable, r.status, r.body)
		for _, says := range []string{
			"The record cannot be written: ", "was moved or deleted while ebbline runs; move it back", "Nothing of what you just sent was stored: once that is mended, send it again.",
			"look at the beer yourself",
		} {
			require.Contains(t, r.body, says)
		}
		require.NotContains(t, r.body, "Something went wrong")
	}
	said(c.post(client, "/batch/pale-12/sample", url.Values{"gravity": {"1.0108"}}))
	said(c.post(client, "/batch/pale-12/note", url.Values{"text": {"Colder now."}}))
	said(c.post(client, "/batch/pale-12/crash", url.Values{"sure": {"yes"}}))
	said(c.post(client, "/alert", url.Values{"alert": {"pale-12/crash-now/1"}, "do": {"acknowledge"}}))
	said(c.post(stranger, "/a/tok-urgent", url.Values{"do": {"acknowledge"}}))
	said(c.post(stranger, "/login", url.Values{"password": {password}}))
	require.Equal(t, http.StatusForbidden, c.post(stranger, "/login", url.Values{"password": {"a wrong one"}}).status)
	require.NoError(t, os.Rename(record+".away", record))
	require.Equal(t, http.StatusSeeOther, c.post(client, "/batch/pale-12/note", url.Values{"text": {"Colder now."}}).status)
}

// Where the last step failed it is not said that nothing is stored.
func TestWhatMayBeStoredIsNotSaidToBeLost(t *testing.T) {
	t.Parallel()
	require.Contains(t, unwrittenWords(&journal.ErrUnwritten{Unsure: true, Cause: errors.New("the card is old")}), "send it again if it is not there")
}
