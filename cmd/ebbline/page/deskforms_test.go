package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// What is typed becomes a batch file that its reader takes without a warning;
// plan stands beside it before it is sent.
func TestANewBatchIsTyped(t *testing.T) {
	t.Parallel()
	var got []byte
	c := newCellar(t, nil)
	c.deeds.started = func(raw []byte) { got = raw }
	b := c.loggedIn()
	fill := url.Values{
		"name": {"Slate pale 7"}, "original_gravity": {"3,4"}, "gravity_unit": {"plato"}, "ceiling": {"0,5"}, "comparison": {"under"}, "volume": {"5"}, "volume_unit": {"gal"},
		"yeast": {"maltose-negative"}, "sensor": {"float-2", "float-8"}, "crash_to": {"36"}, "temperature_unit": {"degF"}, "time_constant": {"4,5"}, "rule": {"cautious"},
		"risk": {"2,5"}, "response": {"45"}, "beer": {"66"}, "time": {"2026-03-05T08:15"}, "sent": {"yes"},
	}
	fill.Set("do", "plan")
	r := c.post(b, "/new", fill)
	require.Equal(t, http.StatusOK, r.status)
	for _, w := range []string{"At the ceiling", "°P", "6–14 h", "1.4–3.2 days", `value="float-8" checked`} {
		require.Contains(t, strings.ReplaceAll(r.body, "\u00a0", " "), w)
	}
	require.Empty(t, got, "nothing is started by looking")
	fill.Set("do", "start")
	r = c.post(b, "/new", fill)
	require.Equal(t, http.StatusSeeOther, r.status, r.body)
	f, err := config.ParseBatch("typed", got, func(string) bool { return true })
	require.NoError(t, err, string(got))
	require.Empty(t, f.Warnings)
	p := f.Batch
	require.Equal(t, "Slate pale 7", p.Name)
	require.InDelta(t, float64(gravity.Plato(3.4).SG()), float64(p.OriginalGravity), 1e-9)
	require.Equal(t, gravity.Ceiling{Limit: 0.5, Strict: true}, p.Ceiling)
	require.InDelta(t, 18.927, float64(p.Volume), 1e-3)
	require.Equal(t, gravity.Cautious, p.Rule)
	require.InDelta(t, 0.025, p.Risk, 1e-9)
	require.EqualValues(t, "maltose-negative", p.Yeast)
	require.InDelta(t, (36-32)/1.8, float64(p.Crash.To), 1e-5)
	require.Equal(t, 270*time.Minute, p.Crash.TimeConstant)
	require.Equal(t, 45*time.Minute, p.ResponseTime)
	require.Equal(t, []string{"float-2", "float-8"}, p.Sensors)
	require.Equal(t, time.Date(2026, 3, 5, 8, 15, 0, 0, time.UTC), p.PitchedAt.UTC())
}

// Sent twice, a new batch is started once.
func TestANewBatchSentTwice(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	n := 0
	c.deeds.started = func([]byte) { n++ }
	b := c.loggedIn()
	for range 2 {
		r := c.post(b, "/new", url.Values{"name": {"Harbour pale 1"}, "original_gravity": {"1.0132"}, "ceiling": {"0.5"}, "volume": {"19"}})
		require.Equal(t, "/batch/harbour-pale-1?done=started", r.header.Get("Location"), r.body)
	}
	require.Equal(t, 1, n)
}

// A mistake is corrected or struck out; it stays in the record, marked.
func TestCorrectAndStrikeOut(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	b := c.loggedIn()
	g := 1.0061
	require.NoError(t, c.deeds.AddSample(t.Context(), "pale-12", Sample{Time: noon.Add(-2 * time.Hour), Gravity: &g}))
	require.NoError(t, c.deeds.Note(t.Context(), "pale-12", Note{Time: noon, Text: "Too warm?"}))
	page := c.get(b, "/batch/pale-12/record").body
	require.Contains(t, page, `href="/batch/pale-12/sample?of=1"`)
	form := c.get(b, "/batch/pale-12/sample?of=1").body
	require.Contains(t, form, `value="1.0061"`)
	require.Contains(t, form, `value="2026-03-05T16:30"`)
	for range 2 {
		r := c.post(b, "/batch/pale-12/sample", url.Values{"of": {"1"}, "key": {"k"}, "gravity": {"1.0116"}, "time": {"2026-03-05T16:30"}})
		require.Equal(t, http.StatusSeeOther, r.status, r.body)
	}
	require.Contains(t, c.get(b, "/batch/pale-12/strike?of=2").body, "Note: Too warm?")
	require.Equal(t, "/batch/pale-12?done=struck", c.post(b, "/batch/pale-12/strike", url.Values{"of": {"2"}, "key": {"s"}}).header.Get("Location"))
	page = c.get(b, "/batch/pale-12/record").body
	require.Contains(t, page, "<s>Sample: 1.0061 SG</s> (struck out)")
	require.Contains(t, page, "<s>Note: Too warm?</s> (struck out)")
	require.Contains(t, page, "Sample: 1.0116 SG")
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 5, "sample, note, correction and two strikes")
	for _, of := range []string{"99", "x", "-1"} {
		require.Equal(t, http.StatusNotFound, c.get(b, "/batch/pale-12/strike?of="+of).status, of)
		require.Equal(t, http.StatusNotFound, c.post(b, "/batch/pale-12/sample", url.Values{"of": {of}, "gravity": {"1.01"}}).status, of)
	}
	entries, err = c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 5, "a correction of nothing enters nothing")
}

// The pH gate: none or a high one is said, and wants a tick, of a script as of a
// person; one that is measured now is entered with the packaging.
func TestThePHGate(t *testing.T) {
	t.Parallel()
	for name, one := range map[string]struct {
		recorded float64
		typed    string
		says     string // empty: no gate
	}{
		"none":                 {0, "", "No pH is recorded."},
		"recorded and good":    {3.8, "", ""},
		"recorded and high":    {4.2, "", "pH above 4.0"},
		"recorded, of no beer": {2, "", "pH 2 is hardly that of beer"},
		"recorded, of water":   {7, "", "pH 7 is hardly that of beer"},
		"typed, of no beer":    {3.8, "2", "pH 2 is hardly that of beer"},
		"typed and good":       {0, "3,8", ""},
		"typed over a bad":     {4.2, "3.85", ""},
		"typed and dangerous":  {0, "4.7", "pH above 4.6"},
	} {
		t.Run(name, func(t *testing.T) {
			c := newCellar(t, nil)
			c.start(pale())
			if one.recorded != 0 {
				require.NoError(t, c.deeds.AddSample(t.Context(), "pale-12", Sample{Time: noon.Add(-time.Hour), PH: &one.recorded}))
			}
			b := c.loggedIn()
			require.Equal(t, strings.Contains(one.says, "hardly") && one.recorded != 3.8, strings.Contains(c.get(b, "/batch/pale-12").body, "Hardly that of beer: measure it again."))
			fill := url.Values{"into": {"bottle"}, "warm": {"yes"}, "ph": {one.typed}, "key": {"k"}}
			r := c.post(b, "/batch/pale-12/package", fill)
			if one.says != "" {
				require.Equal(t, http.StatusUnprocessableEntity, r.status)
				require.Contains(t, r.body, one.says)
				require.Contains(t, r.body, "Primed for bottles", "what bottles would make of it stands there")
				if one.typed == "" {
					script := c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"packaged","into":"bottle","warm":true}`, c.token())
					require.Equal(t, http.StatusUnprocessableEntity, script.status)
					require.Contains(t, script.body, `"field":"acid"`)
					require.Contains(t, script.body, one.says)
				}
				fill.Set("acid", "yes")
				r = c.post(b, "/batch/pale-12/package", fill)
			}
			require.Equal(t, http.StatusSeeOther, r.status, r.body)
			entries, err := c.journal.Entries(t.Context(), "pale-12")
			require.NoError(t, err)
			require.Equal(t, journal.Packaged, entries[len(entries)-1].Kind)
			if one.typed != "" {
				require.Contains(t, told(entries[len(entries)-2], Units{}).Text, "pH ")
			}
			again := c.api(http.MethodPost, "/api/v1/batches/pale-12/actions", `{"action":"packaged","into":"bottle","key":"k"}`, c.token())
			require.Equal(t, http.StatusNoContent, again.status, "what is packaged asks for nothing more")
		})
	}
}

// A number is tapped, its unit said, its sensor named and given to a batch; what
// it would read is shown by the very code that reads it.
func TestUseATopic(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	page := strings.ReplaceAll(c.get(b, "/sensors/use?topic=attic%2Funknown").body, "\u00a0", " ")
	for _, w := range []string{"gravity 1.0121 SG", "temperature 18.4 °C", `value="unknown"`, "Lantern pale 12, instead of float-1"} {
		require.Contains(t, page, w)
	}
	fill := url.Values{"topic": {"attic/unknown"}, "name": {"float-9"}, "as.0": {"gravity plato"}, "as.1": {"temperature degF"}, "batch": {"swap pale-12"}}
	fill.Set("do", "show")
	shown := c.post(b, "/sensors/use", fill)
	require.Contains(t, strings.ReplaceAll(shown.body, "\u00a0", " "), "temperature −7.6 °C")
	const asWater = "most likely specific gravity: choose SG."
	require.Contains(t, shown.body, asWater)
	require.NotContains(t, page, asWater)
	require.Len(t, c.deeds.known, 4, "nothing is defined by looking")
	fill.Set("as.0", "gravity sg")
	fill.Set("as.1", "temperature Cel")
	fill.Set("do", "define")
	r := c.post(b, "/sensors/use", fill)
	require.Equal(t, "/batch/pale-12?done=sensors", r.header.Get("Location"), r.body)
	require.Equal(t, ingest.Sensor{Name: "float-9", Topic: "attic/unknown", Readings: []ingest.ReadingSpec{
		{Quantity: ingest.Gravity, Pointer: "/g", Unit: "sg"}, {Quantity: ingest.Temperature, Pointer: "/t", Unit: "Cel"},
	}}, c.deeds.known[4].Sensor)
	batch, err := c.journal.Batch(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, []string{"float-9"}, batch.Sensors)
	require.NotContains(t, c.get(b, "/sensors").body, "/sensors/use?topic", "it is no longer listed as unused")
	require.Equal(t, http.StatusNotFound, c.get(b, "/sensors/use?topic=nowhere").status)

	fill.Set("as.0", "")
	fill.Set("as.1", "")
	require.Contains(t, c.post(b, "/sensors/use", fill).body, "Say of at least one number what it is.")
	fill.Set("as.0", "gravity furlong")
	require.Contains(t, c.post(b, "/sensors/use", fill).body, "is not a unit of gravity")
	fill.Del("as.1")
	require.Contains(t, c.post(b, "/sensors/use", fill).body, "a message of another shape has come")
}

// The one batch that waits for a sensor is proposed for it.
func TestTheWaitingBatchIsProposed(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.loggedIn()
	const chosen, path = `<option value="add wheat-1" selected>`, "/sensors/use?topic=attic%2Funknown"
	p := pale()
	p.ID, p.Name, p.Sensors = "wheat-1", "Quarry wheat 1", nil
	c.start(p)
	require.Contains(t, c.get(b, path).body, chosen)
	p.ID, p.Name = "wheat-2", "Quarry wheat 2"
	c.start(p)
	require.NotContains(t, c.get(b, path).body, chosen, "two wait: a person chooses")
}

// Pairs become a curve with its residuals; it is used, kept in the history, told
// where it does not reach, and can be taken back.
func TestCalibrateAFloat(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	b := c.loggedIn()
	fill := url.Values{"sensor": {"float-8"}, "rows": {"5"}, "degree": {"2"}, "key": {"k"}}
	for i, p := range [][2]string{{"25,3", "1.0000"}, {"31.1", "1,0041"}, {"36.8", "1.0080"}, {"42.2", "1.0121"}, {"52.4", "1.0199"}} {
		n := string(rune('0' + i))
		fill.Set("shown."+n, p[0])
		fill.Set("known."+n, p[1])
	}
	fill.Set("do", "show")
	r := c.post(b, "/sensors/calibrate", fill)
	require.Equal(t, http.StatusOK, r.status)
	for _, w := range []string{`class="fit"`, "lie <strong>± ", "It holds from 25.3° to 52.4°", "calibration: ["} {
		require.Contains(t, r.body, w)
	}
	require.Empty(t, c.deeds.known[3].Calibrations, "nothing is kept by looking")
	fill.Set("do", "more")
	require.Contains(t, c.post(b, "/sensors/calibrate", fill).body, `name="shown.6"`)
	fill.Set("do", "use")
	require.Equal(t, "/sensors?done=calibrated", c.post(b, "/sensors/calibrate", fill).header.Get("Location"))
	made := c.deeds.known[3].Calibrations[0]
	want, err := ingest.FitPairs(ingest.Tilt, made.Pairs, 2)
	require.NoError(t, err)
	require.Equal(t, want, made.Fit)
	require.Contains(t, c.get(b, "/sensors").body, "Calibrated today 18:30 from 5 pairs")
	again := c.get(b, "/sensors/calibrate?sensor=float-8").body
	require.Contains(t, again, `value="31.1"`, "the pairs are there to add to")
	require.Contains(t, again, "5 pairs, degree 2")
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{Sensor: "float-8", Quantity: ingest.Tilt, Time: noon, Arrived: noon, Value: 61, DeviceTime: true}}, nil))
	require.Contains(t, c.get(b, "/sensors").body, "float-8 gives 61.0°, outside the 25.3 to 52.4°")

	for says, change := range map[string][2]string{
		"needs at least 4": {"degree", "2"}, "turns within the values shown": {"known.2", "1.0301"},
	} {
		bad := url.Values{}
		for k, v := range fill {
			bad[k] = v
		}
		bad.Set(change[0], change[1])
		if says == "needs at least 4" {
			for _, n := range []string{"3", "4"} {
				bad.Del("shown." + n)
				bad.Del("known." + n)
			}
		}
		r := c.post(b, "/sensors/calibrate", bad)
		require.Equal(t, http.StatusUnprocessableEntity, r.status)
		require.Contains(t, r.body, says)
	}
	require.Equal(t, "/sensors?done=withdrawn", c.post(b, "/sensors/calibrate", url.Values{"sensor": {"float-8"}, "do": {"withdraw"}}).header.Get("Location"))
	require.Contains(t, c.get(b, "/sensors/calibrate?sensor=float-8").body, "Taken back")
	require.Equal(t, http.StatusNotFound, c.get(b, "/sensors/calibrate?sensor=nobody").status)
}

// A float that shows gravity is calibrated by what it shows, in the brewer's scale.
func TestCalibrateAShownGravity(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	b := c.loggedIn()
	r := c.post(b, "/sensors/calibrate", url.Values{
		"sensor": {"float-1"}, "rows": {"3"}, "degree": {"1"}, "do": {"use"}, "gravity_unit": {"plato"},
		"shown.0": {"0"}, "known.0": {"0,1"}, "shown.1": {"2.5"}, "known.1": {"2.6"}, "shown.2": {"5"}, "known.2": {"5.1"},
	})
	require.Equal(t, http.StatusSeeOther, r.status, r.body)
	f := c.deeds.known[0].Calibrations[0]
	require.Equal(t, ingest.Gravity, f.Quantity)
	require.InDelta(t, float64(gravity.Plato(2.6).SG()), f.Fit.At(float64(gravity.Plato(2.5).SG())), 5e-5)
	require.Contains(t, c.get(b, "/sensors/calibrate?sensor=float-1").body, "2.60 °P")
}

// How ebbline reaches the brewer, and a test of it: what the service said stands
// beside the channel.
func TestThePhonePage(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	b := c.loggedIn()
	page := c.get(b, "/phone").body
	for _, w := range []string{"Last accepted yesterday 22:30.", "Last failure today 17:30: ntfy.example answers 404.", "failing since today 16:30"} {
		require.Contains(t, page, w)
	}
	r := c.post(b, "/phone/test", url.Values{"channel": {"lamp"}})
	require.Equal(t, "/phone?sent=lamp", r.header.Get("Location"))
	require.Equal(t, []string{"lamp"}, c.deeds.tried)
	require.Contains(t, c.get(b, "/phone?sent=lamp").body, "accepted is not yet seen")
	r = c.post(b, "/phone/test", url.Values{"channel": {"pocket"}})
	require.Equal(t, http.StatusBadGateway, r.status)
	require.Contains(t, r.body, "The test did not get through: ntfy.example answers 404: there is no such topic")
	require.Equal(t, http.StatusNotFound, c.post(b, "/phone/test", url.Values{"channel": {"bell"}}).status)
	require.Equal(t, http.StatusSeeOther, c.post(b, "/phone/quiet", url.Values{"from": {"22.30"}, "to": {"6:30"}}).status)
	require.Equal(t, &Quiet{"22:30", "06:30"}, c.deeds.quiet.Hours)
	require.Equal(t, "/phone?done=awake", c.post(b, "/phone/quiet", url.Values{"do": {"none"}}).header.Get("Location"))
	require.Nil(t, c.deeds.quiet.Hours)
	c.deeds.quiet.Fixed = true
	require.Equal(t, http.StatusConflict, c.post(b, "/phone/quiet", url.Values{"from": {"22:30"}, "to": {"06:30"}}).status)
	c.deeds.channels = nil
	require.Contains(t, c.get(b, "/phone").body, "No phone is set up")
}

// At a broker of others a new device shows up only during a look around.
func TestLookAround(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	b := c.loggedIn()
	require.NotContains(t, c.get(b, "/sensors").body, "Listen to everything")
	c.deeds.looking.Needed = true
	require.Contains(t, c.get(b, "/sensors").body, "Listen to everything")
	require.Equal(t, http.StatusSeeOther, c.post(b, "/sensors/look", nil).status)
	require.Contains(t, c.get(b, "/sensors").body, "Listening to every topic of the broker for 10 min more")
}

// When batches have been looked at ahead of the clock, and only then, a person may
// say that the clock is right now; a script too.
func TestTheClockIsRight(t *testing.T) {
	t.Parallel()
	ahead := false
	c := newCellar(t, func(o *Options) {
		o.Health = func() []HealthItem {
			return []HealthItem{{Code: "watches", OK: !ahead, Ahead: ahead, Since: noon, Text: "The clock of this machine was set back: batch pale-12 has been looked at up to 12 March 08:15 already, and nothing falls due for it before that. If the clock is wrong now, set it. If it is right now, say so: what was recorded ahead of it is then taken back, and every batch is looked at again."}}
		}
	})
	b := c.loggedIn()
	require.NotContains(t, c.get(b, "/").body, "The clock is right now")
	ahead = true
	screen := c.open(t, chromium(t))
	screen.visit(t, "/")
	screen.until(t, `document.body.textContent.includes("The clock is right now")`)
	screen.looksRight(t, "clock_ahead")
	require.Equal(t, http.StatusSeeOther, c.post(b, "/clock", nil).status)
	require.Equal(t, http.StatusNoContent, c.api(http.MethodPost, "/api/v1/clock-is-right", "", c.token()).status)
	require.Equal(t, 2, c.deeds.right)
}
