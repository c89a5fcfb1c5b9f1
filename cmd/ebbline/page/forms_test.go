package page

import (
	"bytes"
	"encoding/json"
	"mime/multipart"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

func TestSampleForm(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	client := c.loggedIn()
	for name, one := range map[string]struct {
		fill  url.Values
		field string
		says  string // empty: it is kept
	}{
		"decimal point":          {url.Values{"gravity": {"1.0108"}}, "", ""},
		"decimal comma":          {url.Values{"gravity": {" 1,0108 "}}, "", ""},
		"pH alone":               {url.Values{"ph": {"3,9"}}, "", ""},
		"this very minute":       {url.Values{"gravity": {"1.0108"}, "time": {"2026-03-05T18:30"}}, "", ""},
		"earlier":                {url.Values{"gravity": {"1.0108"}, "time": {"2026-03-05T06:10"}}, "", ""},
		"the minute of pitching": {url.Values{"gravity": {"1.0132"}, "time": {"2026-03-03T18:30"}}, "", ""},
		"nothing":                {url.Values{}, "gravity", "Enter a gravity, a refractometer’s °Bx, a pH, or more of them."},
		"letters":                {url.Values{"gravity": {"heavy"}}, "gravity", "Not a number"},
		"points":                 {url.Values{"gravity": {"1013"}}, "gravity", "Did you mean 1.013 SG?"},
		"too heavy":              {url.Values{"gravity": {"1.5"}}, "gravity", "between 0.980 and 1.200"},
		"an exponent":            {url.Values{"gravity": {"1e0"}}, "gravity", "Not a number"},
		"hexadecimal":            {url.Values{"gravity": {"0x1p0"}}, "gravity", "Not a number"},
		"not finite":             {url.Values{"gravity": {"NaN"}}, "gravity", "Not a number"},
		"two commas":             {url.Values{"gravity": {"1,01,1"}}, "gravity", "Not a number"},
		"pH without its comma":   {url.Values{"ph": {"39"}}, "ph", "Did you mean 3.9?"},
		"boiling":                {url.Values{"gravity": {"1.0108"}, "temperature": {"127"}}, "temperature", "−10.0 °C to 110.0 °C"},
		"in the future":          {url.Values{"gravity": {"1.0108"}, "time": {"2026-03-06T18:30"}}, "time", "in the future"},
		"before pitch":           {url.Values{"gravity": {"1.0108"}, "time": {"2026-03-03T12:00"}}, "time", "before the batch was pitched"},
		"no time":                {url.Values{"gravity": {"1.0108"}, "time": {"soon"}}, "time", "Not a time"},
	} {
		t.Run(name, func(t *testing.T) {
			entries := func() int {
				all, err := c.journal.Entries(t.Context(), "pale-12")
				require.NoError(t, err)
				return len(all)
			}
			before := entries()
			r := c.post(client, "/batch/pale-12/sample", one.fill)
			if one.says == "" {
				require.Equal(t, http.StatusSeeOther, r.status, r.body)
				require.Equal(t, "/batch/pale-12?done=sample", r.header.Get("Location"))
				require.Equal(t, before+1, entries())
				return
			}
			require.Equal(t, http.StatusUnprocessableEntity, r.status)
			_, rest, _ := strings.Cut(r.body, `<p class="error" id="e-`+one.field+`">`)
			said, _, _ := strings.Cut(rest, "</p>")
			require.Contains(t, said, one.says, "the sentence stands beside its field")
			for k, v := range one.fill {
				require.Contains(t, r.body, `value="`+v[0]+`"`, "what was typed in %s is kept", k)
			}
			require.Equal(t, before, entries())
		})
	}
}

// Sending a form twice, as impatient thumbs do, enters it once.
func TestAFormSentTwiceCountsOnce(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	b := c.loggedIn()
	_, rest, _ := strings.Cut(c.get(b, "/batch/pale-12/sample").body, `name="key" value="`)
	key, _, _ := strings.Cut(rest, `"`)
	require.NotEmpty(t, key)
	for range 2 {
		r := c.post(b, "/batch/pale-12/sample", url.Values{"gravity": {"1.0108"}, "key": {key}})
		require.Equal(t, http.StatusSeeOther, r.status)
	}
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 1)
	var m Sample
	require.NoError(t, json.Unmarshal(entries[0].Body, &m))
	require.InDelta(t, 1.0108, *m.Gravity, 1e-9)
}

// A time is the brewer's own clock, not UTC.
func TestTimesAreTheBrewersOwn(t *testing.T) {
	t.Parallel()
	zone := time.FixedZone("EST", -5*3600)
	c := newCellar(t, func(o *Options) { o.Location = zone })
	c.start(pale())
	b := c.loggedIn()
	require.Contains(t, c.get(b, "/batch/pale-12/sample").body, `value="2026-03-05T13:30"`)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/sample", url.Values{"ph": {"4"}, "time": {"2026-03-05T08:00"}}).status)
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, time.Date(2026, 3, 5, 13, 0, 0, 0, time.UTC), entries[0].Time.UTC())
}

func TestCrashPackageAndNote(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	b := c.loggedIn()
	require.Equal(t, http.StatusUnprocessableEntity, c.post(b, "/batch/pale-12/note", url.Values{"text": {"  "}}).status)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/note", url.Values{"text": {"Smells of pears."}}).status)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/crash", url.Values{}).status)
	require.NotContains(t, c.get(b, "/batch/pale-12").body, "/batch/pale-12/crash", "a crash starts once")
	require.Equal(t, http.StatusUnprocessableEntity, c.post(b, "/batch/pale-12/package", url.Values{"into": {"bath"}}).status)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/package", url.Values{"into": {"bottle"}, "ph": {"3,8"}}).status)
	body := c.get(b, "/batch/pale-12").body
	for _, w := range []string{"Smells of pears.", "Crash started", "Bottled", "Packaged today 18:30"} {
		require.Contains(t, body, w)
	}
	require.Equal(t, http.StatusNotFound, c.post(b, "/batch/pale-12/explode", url.Values{}).status)
	require.Equal(t, http.StatusNotFound, c.get(b, "/batch/nobody/sample").status)
}

func TestNewBatchPastedAndUploaded(t *testing.T) {
	t.Parallel()
	upload := func(c *cellar, client *http.Client, file string) reply {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		require.NoError(t, w.WriteField("file", "pasted text that the file goes before"))
		part, err := w.CreateFormFile("upload", "../../etc/batch.yaml")
		require.NoError(t, err)
		_, err = part.Write([]byte(file))
		require.NoError(t, err)
		require.NoError(t, w.Close())
		return c.do(client, c.request(http.MethodPost, "/new/file", b.String(), "Content-Type", w.FormDataContentType(), "Accept", "text/html"))
	}
	c := newCellar(t, nil)
	client := c.loggedIn()
	r := c.post(client, "/new/file", url.Values{"file": {"batch: {name: <b>Mill & Son</b>}"}})
	require.Equal(t, http.StatusUnprocessableEntity, r.status)
	require.Contains(t, r.body, "batch file:1:1: original_gravity is missing")
	require.Contains(t, r.body, "batch: {name: &lt;b&gt;Mill &amp; Son&lt;/b&gt;}", "what was typed is kept")
	require.Equal(t, http.StatusUnprocessableEntity, upload(c, client, "batch: {}").status)
	r = upload(c, client, "batch: {original_gravity: 1.0132}")
	require.Equal(t, http.StatusSeeOther, r.status, r.body)
	require.Equal(t, "/batch/harbour-pale-1?done=started", r.header.Get("Location"))
	require.Equal(t, http.StatusOK, c.get(client, "/batch/harbour-pale-1").status)
	require.Equal(t, http.StatusRequestEntityTooLarge, upload(c, client, strings.Repeat("x", largestBatch)).status)
}

func TestAlertButtonsOnTheBatchPage(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	r := c.post(b, "/alert", url.Values{"alert": {"pale-12/crash-now/1"}, "do": {"remind"}})
	require.Equal(t, "/batch/pale-12?done=later", r.header.Get("Location"))
	require.Contains(t, c.get(b, "/batch/pale-12").body, "reminds again today 19:30")
	r = c.post(b, "/alert", url.Values{"alert": {"pale-12/crash-now/1"}, "do": {"acknowledge"}})
	require.Equal(t, "/batch/pale-12?done=answered", r.header.Get("Location"))
	body := c.get(b, "/batch/pale-12").body
	require.Contains(t, body, "answered today 18:30")
	require.NotContains(t, body, "I have seen it</button>")
	require.Equal(t, http.StatusNotFound, c.post(b, "/alert", url.Values{"alert": {"pale-12/none/1"}}).status)
}

func TestSampleIsKeptAsTheWatchReadsIt(t *testing.T) {
	t.Parallel()
	h := told(journal.Entry{Kind: journal.SampleEntry, Body: json.RawMessage(`{"Time":"2026-03-04T19:00:00Z","Gravity":1.0115,"Temperature":18,"Brix":null,"PH":4.1}`)}, Units{})
	require.Equal(t, "Sample: 1.0115 SG at 18.0 °C, pH 4.10", h.Text)
}

// A second crash would not count, or only if it is the earlier: it is refused with
// the one that stands, by the form and by the API. Correcting it, the same key and
// one after a strike are none.
func TestACrashIsEnteredOnce(t *testing.T) {
	t.Parallel()
	const path, api = "/batch/pale-12/crash", "/api/v1/batches/pale-12/actions"
	c := whole(t, nil)
	client, token := c.loggedIn(), c.token()
	crashes := func() (seqs []string) {
		all, err := c.journal.Entries(t.Context(), "pale-12")
		require.NoError(t, err)
		for _, e := range all {
			if e.Kind == journal.CrashStarted {
				seqs = append(seqs, strconv.FormatInt(e.Seq, 10))
			}
		}
		return seqs
	}
	form := url.Values{"time": {"2026-03-05T18:10"}, "key": {"one"}}
	require.Equal(t, http.StatusSeeOther, c.post(client, path, form).status)
	require.Equal(t, http.StatusSeeOther, c.post(client, path, form).status)
	again := c.post(client, path, url.Values{"time": {"2026-03-05T18:20"}, "key": {"two"}})
	require.Equal(t, http.StatusUnprocessableEntity, again.status)
	const says = "The crash is entered already, as started today 18:10. Correct that entry, or strike it out, under What happened."
	require.Equal(t, says, beside(again.body, "time"))
	script := c.api(http.MethodPost, api, `{"action":"crash-started"}`, token)
	require.Equal(t, http.StatusUnprocessableEntity, script.status)
	require.Contains(t, script.body, says)
	require.Len(t, crashes(), 1)

	require.Equal(t, http.StatusSeeOther, c.post(client, path, url.Values{"time": {"2026-03-05T18:20"}, "key": {"two"}, "of": crashes()}).status)
	require.Len(t, crashes(), 2, "corrected")
	require.Equal(t, http.StatusSeeOther, c.post(client, "/batch/pale-12/strike", url.Values{"of": crashes()[1:], "key": {"three"}}).status)
	require.Equal(t, http.StatusNoContent, c.api(http.MethodPost, api, `{"action":"crash-started"}`, token).status)
}
