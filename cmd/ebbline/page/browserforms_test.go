package page

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
)

// press taps what leads to another page, and waits for it.
func (b *tab) press(t *testing.T, sel string) {
	t.Helper()
	b.finger(t).act(sel)
	b.until(t, `globalThis.tap === undefined && document.readyState === "complete"`)
}

// says waits until the page says something.
func (b *tab) says(t *testing.T, what string) {
	t.Helper()
	var text string
	var err error // while a page gives way to another there is nothing to read
	for range 2400 {
		text, err = chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS("main")))
		if err == nil && strings.Contains(strings.ReplaceAll(text, "\u00a0", " "), what) {
			return
		}
		b.do(t, chromedp.Sleep(50*time.Millisecond))
	}
	require.NoError(t, err)
	require.Fail(t, "not said", "%q in\n%s", what, text)
}

const mainButton = "form.enter > button:last-of-type"

// Refused forms, sums beside them and a fitted curve are as readable as fresh
// forms: on every screen and in both themes.
func TestFormsInTheirOtherStates(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	fit, err := ingest.FitPairs(ingest.Tilt, []ingest.Pair{{Shown: 25, Known: 1}, {Shown: 35, Known: 1.007}, {Shown: 45, Known: 1.0141}, {Shown: 55, Known: 1.0215}}, 2)
	require.NoError(t, err)
	pairs := []ingest.Pair{{Shown: 25, Known: 1}, {Shown: 35, Known: 1.007}, {Shown: 45, Known: 1.0141}, {Shown: 55, Known: 1.0215}}
	c.deeds.known[3].Calibrations = []Calibration{{Sensor: "float-8", Quantity: ingest.Tilt, Degree: 2, Pairs: pairs, Fit: fit, At: noon.Add(-time.Hour)}}
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{Sensor: "float-8", Quantity: ingest.Tilt, Time: noon, Arrived: noon, Value: 61, DeviceTime: true}}, nil))
	c.deeds.known = append(c.deeds.known, KnownSensor{Sensor: ingest.Sensor{Name: "many", Topic: "cellar/+/data"}, Source: FromConfig})
	for i, name := range []string{"many/f1", "many/f2"} {
		at := noon.Add(-time.Duration(i) * time.Hour)
		require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{
			{Sensor: name, Quantity: ingest.Gravity, Time: at, Arrived: at, Value: 1.0117, DeviceTime: true},
			{Sensor: name, Quantity: ingest.Temperature, Time: at, Arrived: at, Value: 18 + 67*float64(i), DeviceTime: true},
		}, nil))
	}
	c.deeds.quiet.Hours = &Quiet{"22:30", "06:30"}
	c.deeds.looking.Needed = true
	b := c.open(t, chromium(t))
	look := func(name string) { t.Helper(); b.looksRight(t, "form_"+name); b.size(t, 390, "light") }
	b.size(t, 390, "light")
	b.visit(t, "/new")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#original_gravity"), "1,0132"))
	b.says(t, "Start the crash at") // as it is typed, without a button
	require.Zero(t, eval[int](t, b, `document.querySelectorAll("#work-out").length`))
	b.do(t, chromedp.SetValue(chromedp.CSS("#original_gravity"), "1013"), chromedp.SetValue(chromedp.CSS("#risk"), "lots"))
	b.press(t, "button[value=start]")
	look("new")
	b.visit(t, "/batch/pale-12/sample")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#gravity"), "1013"), chromedp.SendKeys(chromedp.CSS("#ph"), "39"))
	b.press(t, mainButton)
	look("sample")
	b.visit(t, "/batch/pale-12/sample")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#gravity"), "1.0118"), chromedp.SendKeys(chromedp.CSS("#temperature"), "68"), chromedp.SendKeys(chromedp.CSS("#brix"), "11"))
	b.press(t, mainButton)
	look("odd")
	b.do(t, chromedp.Click(chromedp.CSS("input[name=sure]")))
	b.press(t, mainButton)
	b.says(t, "The sample is in the record.")
	b.visit(t, "/batch/pale-12/package")
	b.press(t, mainButton)
	look("package")
	b.visit(t, "/sensors/calibrate?sensor=float-8")
	look("calibrate")
	b.visit(t, "/sensors")
	look("sensors")
	b.visit(t, "/phone")
	b.press(t, "button[value=pocket]")
	look("phone")
	b.visit(t, "/sensors/use?topic=attic/unknown")
	b.do(t, chromedp.SetValue(chromedp.CSS("#as-0"), "gravity plato"))
	eval[chromedp.Void](t, b, `document.getElementById("as-0").dispatchEvent(new Event("input", {bubbles: true})); void 0`)
	b.says(t, "gravity 1.0039 SG")
	look("use")
	require.Empty(t, b.faults())
}

// A value is seen live before it is used: what the device publishes now stands in
// the form without a reload, and what was chosen stays chosen.
func TestATopicIsSeenLive(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/sensors/use?topic=attic/unknown")
	b.do(t, chromedp.SetValue(chromedp.CSS("#name"), "my own name"))
	require.Eventually(t, func() bool { return len(c.server.streams) == 1 }, 2*time.Minute, 10*time.Millisecond)
	require.NoError(t, c.journal.Record(t.Context(), nil, []ingest.Refusal{
		{Topic: "attic/unknown", Reason: ingest.UnknownTopic, Payload: []byte(`{"g":1.0098,"t":18.1}`), Arrived: noon},
	}))
	b.says(t, "gravity 1.0098 SG")
	require.Equal(t, "my own name", eval[string](t, b, `document.getElementById("name").value`))
}

// Every form is usable with scripts switched off, bad input and offers included.
func TestTheNewFormsWorkWithoutScripts(t *testing.T) {
	t.Parallel()
	suppose := withSuppose(t)
	c := whole(t, func(o *Options) {
		suppose(o)
		o.KeepPassword = func(context.Context, string) error { return nil }
	})
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.script(t, true)
	set := func(sel, value string) {
		t.Helper()
		b.do(t, chromedp.Clear(chromedp.CSS(sel)), chromedp.SendKeys(chromedp.CSS(sel), value))
	}
	b.visit(t, "/batch/pale-12/record")
	b.press(t, `a[href*="/sample?of="]`)
	set("#gravity", "1,0113")
	b.press(t, mainButton)
	b.visit(t, "/batch/pale-12/record")
	b.says(t, "(struck out)")
	b.press(t, `a[href*="/strike?of="]`)
	b.press(t, mainButton)
	b.says(t, "no longer counts")

	b.visit(t, "/sensors")
	b.press(t, `a[href^="/sensors/use"]`)
	b.press(t, "#work-out")
	b.says(t, "gravity 1.0121 SG")
	b.press(t, mainButton)
	b.says(t, "The sensor is defined")

	b.visit(t, "/sensors/calibrate?sensor=float-8")
	for i, p := range [][2]string{{"25", "1.000"}, {"40", "1.010"}, {"55", "1.0202"}, {"50", "1.0165"}} {
		n := string(rune('0' + i))
		set(`[id="shown.`+n+`"]`, p[0])
		set(`[id="known.`+n+`"]`, p[1])
	}
	b.press(t, "#work-out")
	b.says(t, "off the curve")
	b.press(t, `button[value=use]`)
	b.says(t, "The calibration is used")

	b.visit(t, "/phone")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#from"), "1030PM"), chromedp.SendKeys(chromedp.CSS("#to"), "0630AM"))
	b.press(t, `form[action="/phone/quiet"] button`)
	b.says(t, "The quiet hours are kept.")
	require.Equal(t, &Quiet{"22:30", "06:30"}, c.deeds.quiet.Hours)

	b.visit(t, "/new")
	set("#name", "Harbour pale 1")
	set("#original_gravity", "1,0132")
	b.press(t, "#work-out")
	b.says(t, "Start the crash at")
	b.press(t, "button[value=start]")
	b.says(t, "The batch is started.")

	b.visit(t, "/batch/pale-12/note")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#text"), "Cloudy."))
	b.press(t, mainButton)
	b.says(t, "The note is in the record.")
	b.press(t, "button[name=scale][value=degF]")
	b.says(t, "°F")
	b.visit(t, "/batch/pale-12/sensors")
	b.do(t, chromedp.Click(chromedp.CSS(`input[value=float-3]`)))
	b.press(t, mainButton)
	b.says(t, "The sensors are changed")
	b.visit(t, "/batch/pale-12/what-if?in=6")
	b.says(t, "in 6 h, tomorrow 00:30")
	b.visit(t, "/access")
	set("#name", "lamp in the hall")
	b.press(t, mainButton)
	b.says(t, "lamp in the hall")
	const own = "four words in a row"
	b.visit(t, "/password")
	for sel, word := range map[string]string{"#old": password, "#new": own, "#again": own} {
		set(sel, word)
	}
	b.press(t, "form.enter button")
	b.says(t, "The password is changed.")
	b.press(t, "footer button")
	set("#password", own)
	b.press(t, "form.enter button")
	b.says(t, "Lantern pale 12")
}

// By keyboard alone: Enter starts the batch, and does not merely work it out or
// take an offer that no longer stands.
func TestANewBatchByKeyboard(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	started := 0
	c.deeds.started = func([]byte) { started++ }
	b := c.open(t, chromium(t))
	b.size(t, 390, "dark")
	b.visit(t, "/new")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), "Harbour pale 1"), chromedp.SendKeys(chromedp.CSS("#original_gravity"), "1013\r"))
	b.says(t, "Did you mean 1.013 SG?")
	require.Zero(t, started)
	b.do(t, chromedp.Clear(chromedp.CSS("#original_gravity")), chromedp.SendKeys(chromedp.CSS("#original_gravity"), "1,0128\r"))
	b.says(t, "The batch is started.")
	require.Equal(t, 1, started)
}
