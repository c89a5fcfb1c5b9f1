package page

import (
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// beside is what stands beside a field of a page that was sent back.
func beside(body, field string) string {
	_, rest, _ := strings.Cut(body, `id="e-`+field+`"`)
	_, rest, _ = strings.Cut(rest, ">")
	said, _, _ := strings.Cut(rest, "</p>")
	return html.UnescapeString(said)
}

// wrong is bad input to a field and what is to be said beside it; Offer is what
// was probably meant.
type wrong struct{ field, typed, says, offer string }

// Every form, every kind of bad input: a sentence beside the field, what was
// typed kept, nothing entered, and what was probably meant within reach.
func TestBadInputOnEveryForm(t *testing.T) {
	t.Parallel()
	gravities := func(field string) []wrong {
		return []wrong{
			{field, "heavy", "Not a number", ""},
			{field, "1013", "Did you mean 1.013 SG?", "1.013"},
			{field, "1013,2", "Did you mean 1.0132 SG?", "1.0132"},
			{field, "10132", "Did you mean 1.0132 SG?", "1.0132"},
			{field, "3.4", "choose °P", ""},
			{field, "-1.01", "Not the gravity of a beer", ""},
			{field, "1,01,1", "Not a number", ""},
		}
	}
	times := []wrong{
		{"time", "2026-03-06T18:30", "in the future", ""},
		{"time", "2020-03-06T18:30", "two years ago", ""},
		{"time", "soon", "Not a time", ""},
	}
	beforePitch := append([]wrong{{"time", "2026-03-03T12:00", "before the batch was pitched", ""}}, times...)
	acid := []wrong{{"ph", "39", "Did you mean 3.9?", "3.9"}, {"ph", "390", "Did you mean 3.9?", "3.9"}, {"ph", "sour", "Not a number", ""}, {"ph", "9", "beer lies near 4", ""}}
	degrees := func(field string) []wrong {
		return []wrong{{field, "cold", "Not a number", ""}, {field, "900", "Out of range", ""}}
	}
	newBatch := url.Values{"name": {"Slate pale 7"}, "original_gravity": {"1.0132"}, "ceiling": {"0.5"}, "volume": {"19"}}
	pairs := url.Values{
		"sensor": {"float-8"}, "rows": {"4"}, "degree": {"1"}, "shown.0": {"25"}, "known.0": {"1.000"}, "shown.1": {"40"}, "known.1": {"1.010"},
		"shown.2": {"55"}, "known.2": {"1.020"},
	}
	for path, form := range map[string]struct {
		good  url.Values
		wrong []wrong
	}{
		"/batch/pale-12/sample": {url.Values{"gravity": {"1.0108"}}, append(append(append(append(gravities("gravity"), beforePitch...), acid...), degrees("temperature")...),
			wrong{"brix", "88", "Out of range", ""}, wrong{"brix", "sweet", "Not a number", ""})},
		"/batch/pale-12/crash":   {url.Values{}, beforePitch},
		"/batch/pale-12/package": {url.Values{"into": {"keg"}, "warm": {"yes"}, "acid": {"yes"}}, append(append(beforePitch, acid...), wrong{"into", "bath", "Choose keg or bottles", ""})},
		"/batch/pale-12/note":    {url.Values{"text": {"Cloudy."}}, append([]wrong{{"text", " ", "Write something", ""}, {"text", strings.Repeat("x", 4001), "too long", ""}}, beforePitch...)},
		"/batch/pale-12/sensors": {url.Values{"sent": {"yes"}, "sensor": {"float-3"}}, []wrong{
			{"sensor", "float-2", "not a sensor that is free", ""}, {"sensor", "float-1", "Nothing is different", ""},
		}},
		"/new": {newBatch, append(append(append(gravities("original_gravity"), times...), degrees("crash_to")...), []wrong{
			{"original_gravity", "1.000", "water or lighter", ""},
			{"original_gravity", "", "Enter the gravity of the wort", ""},
			{"name", "", "Give the batch a name", ""},
			{"name", strings.Repeat("n", 101), "too long", ""},
			{"name", "Lantern pale 12", "a batch of this name already", ""},
			{"ceiling", "strong", "Not a number", ""},
			{"ceiling", "0", "Nought is passed", ""},
			{"ceiling", "21", "Out of range", ""},
			{"volume", "much", "Not a number", ""},
			{"volume", "0", "more than 0", ""},
			{"volume", "", "Enter how much", ""},
			{"crash_to", "20", "A crash cools", ""},
			{"time_constant", "0", "Out of range", ""},
			{"risk", "100", "Out of range", ""},
			{"response", "-5", "Out of range", ""},
			{"beer", "60", "Out of range", ""},
			{"sensor", "float-1", "not a sensor that is free", ""},
		}...)},
		"/phone/quiet": {url.Values{"from": {"22:30"}, "to": {"06:30"}}, []wrong{{"from", "late", "Not a time of day", ""}, {"to", "25:00", "Not a time of day", ""}, {"to", "22:30", "Both are the same", ""}}},
		"/sensors/calibrate": {pairs, []wrong{
			{"known.1", "1013", "Did you mean 1.013 SG?", "1.013"},
			{"known.1", "heavy", "Not a number", ""},
			{"known.1", "", "Enter the gravity", ""},
			{"shown.1", "slanted", "Not a number", ""},
			{"shown.1", "400", "Out of range", ""},
			{"shown.1", "", "Enter what the float showed", ""},
		}},
		"/sensors/use": {url.Values{"topic": {"attic/unknown"}, "name": {"float-9"}, "as.0": {"gravity sg"}, "as.1": {""}}, []wrong{
			{"name", "", "Give the sensor a name", ""}, {"name", "float-1", "The configuration defines", ""}, {"scale", "90", "Out of range", ""}, {"scale", "warm", "Not a number", ""},
		}},
	} {
		t.Run(strings.ReplaceAll(path[1:], "/", " "), func(t *testing.T) {
			c := whole(t, nil)
			b := c.loggedIn()
			entries := func() []journal.Entry {
				all, err := c.journal.Entries(t.Context(), "pale-12")
				require.NoError(t, err)
				return all
			}
			before, known := entries(), len(c.deeds.known)
			for _, w := range form.wrong {
				fill := url.Values{}
				for k, v := range form.good {
					fill[k] = v
				}
				fill.Set(w.field, w.typed)
				r := c.post(b, path, fill)
				require.Equal(t, http.StatusUnprocessableEntity, r.status, "%s: %q", w.field, w.typed)
				require.Contains(t, beside(r.body, w.field), w.says, "%s: %q", w.field, w.typed)
				if !strings.Contains(w.field, "sensor") && w.field != "into" && w.field != "text" {
					require.Contains(t, r.body, `value="`+html.EscapeString(w.typed)+`"`, "what was typed in %s is kept", w.field)
				}
				if w.offer == "" {
					require.NotContains(t, r.body, `name="offer"`, "%s: %q", w.field, w.typed)
					continue
				}
				fill.Set("offer", w.field+"|"+w.offer+"|"+w.typed)
				r = c.post(b, path, fill)
				require.Equal(t, http.StatusOK, r.status, "taking an offer shows the form again: %s", w.field)
				require.Contains(t, r.body, `value="`+w.offer+`"`)
				require.Empty(t, beside(r.body, w.field))
				fill.Set(w.field, "1,0101")
				require.NotContains(t, c.post(b, path, fill).body, `value="`+w.offer+`"`, "an offer is good only for what it was made for")
				require.Equal(t, before, entries()[:len(before)])
			}
			if path != "/batch/pale-12/sample" && path != "/new" && path != "/sensors/calibrate" {
				require.Equal(t, before, entries(), "nothing was entered")
			}
			require.Len(t, c.deeds.known, known)
			if path == "/new" {
				return // the good form is TestANewBatchIsTyped's
			}
			require.Equal(t, http.StatusSeeOther, c.post(b, path, form.good).status, "and the good form is taken")
		})
	}
}

// The scales are those of the configuration until a browser chooses others, which
// it remembers; what is kept is SG and °C.
func TestUnitsAreRemembered(t *testing.T) {
	t.Parallel()
	c := newCellar(t, func(o *Options) { o.Units = Units{Fahrenheit: true} })
	c.start(pale())
	b := c.loggedIn()
	fresh := c.get(b, "/batch/pale-12/sample").body
	require.Contains(t, fresh, `<option value="degF" selected>`)
	require.Contains(t, fresh, `<option value="sg" selected>`)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/batch/pale-12/sample", url.Values{
		"gravity": {"2,9"}, "gravity_unit": {"plato"}, "temperature": {"64.4"}, "temperature_unit": {"degF"},
	}).status)
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, "Sample: 1.0113 SG at 18.0 °C", told(entries[0], Units{}).Text)
	require.Contains(t, c.get(b, "/batch/pale-12/sample").body, `<option value="plato" selected>`)
	require.Contains(t, c.get(b, "/new").body, `<option value="plato" selected>`)

	r := c.post(b, "/batch/pale-12/sample", url.Values{"gravity": {"1.0112"}, "gravity_unit": {"plato"}})
	require.Contains(t, beside(r.body, "gravity"), "looks like an SG, but °P is chosen", "an SG taken for °P would be near water")
	r = c.post(b, "/batch/pale-12/sample", url.Values{"gravity": {"1013"}, "gravity_unit": {"plato"}})
	require.Contains(t, r.body, `<option value="sg" selected>`, "an offer in SG chooses SG")
	require.Equal(t, http.StatusUnprocessableEntity, c.post(b, "/batch/pale-12/sample", url.Values{"gravity": {"60"}, "gravity_unit": {"plato"}}).status)
}
