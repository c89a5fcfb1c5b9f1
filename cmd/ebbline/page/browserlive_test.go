package page

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

const ready = `document.getElementById("graph").dataset.ready === "yes"`

// A reading that arrives while the page is open is on it without a reload, in
// the figures and in the graph; an alert too, and it is answered from there.
func TestAReadingArrivesWhileThePageIsOpen(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	eval[chromedp.Void](t, b, `globalThis.here = "not reloaded"; void 0`)

	warm := ingest.Reading{Sensor: "float-1", Quantity: ingest.Temperature, Time: noon, Arrived: noon, Value: 23.7, DeviceTime: true}
	require.NoError(t, c.journal.Record(t.Context(), append(reading(noon, 1.0105), warm), nil))
	b.until(t, `document.getElementById("figures").textContent.includes("23.7")`)

	again := urgent("pale-12", "tok-2")
	again.ID, again.Title, again.Raised = "pale-12/over-ceiling/1", "The beer is above its ceiling", noon
	require.NoError(t, c.journal.Say(t.Context(), "pale-12", 0, nil, nil, []journal.Alert{again}, nil, noon, nil))
	b.until(t, `document.getElementById("alerts").textContent.includes("The beer is above its ceiling")`)
	require.Equal(t, "not reloaded", eval[string](t, b, `globalThis.here`))

	b.finger(t).act(`#alerts article:first-of-type button[value=acknowledge]`)
	b.until(t, `document.body.textContent.includes("this alert will not ring again")`)
	require.Eventually(t, func() bool {
		a, err := c.journal.Alert(t.Context(), "pale-12/over-ceiling/1")
		return err == nil && a.Acknowledged != nil
	}, 2*time.Minute, 20*time.Millisecond)
	require.Empty(t, b.faults())
}

// When the daemon stops, the page says that what it shows may be old; when it
// is back, the page catches up by itself.
func TestThePageSurvivesARestart(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	address := c.http.Listener.Addr().String()
	c.server.Close()
	c.http.CloseClientConnections()
	c.http.Close()
	b.until(t, `!document.getElementById("offline").hidden`)
	require.Contains(t, eval[string](t, b, `document.getElementById("offline").textContent`), "No connection to ebbline since")

	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{
		Sensor: "float-1", Quantity: ingest.Temperature, Time: noon, Arrived: noon, Value: 24.6, DeviceTime: true,
	}}, nil))
	c.again(t, address)
	b.until(t, `document.getElementById("figures").textContent.includes("24.6")`)
	b.until(t, `document.getElementById("offline").hidden`)
}

// Everything a thumb needs works with scripts switched off.
func TestFormsWorkWithoutScripts(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.script(t, true)
	press := func(sel string) {
		t.Helper()
		_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS(sel)))
		require.NoError(t, err)
	}
	text := func() string {
		t.Helper()
		v, err := chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS("main")))
		require.NoError(t, err)
		return v
	}
	b.visit(t, "/batch/pale-12")
	require.Contains(t, text(), "Start the crash by 18:55")
	b.do(t, chromedp.WaitVisible(chromedp.CSS("noscript svg.picture .line")))
	press(`.acts a[href$="/sample"]`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#gravity"), "1013"))
	press(`form.enter button`)
	require.Contains(t, text(), "Did you mean 1.013 SG?")
	b.do(t, chromedp.Clear(chromedp.CSS("#gravity")), chromedp.SendKeys(chromedp.CSS("#gravity"), "1,0099"))
	press(`form.enter button`)
	require.Contains(t, text(), "The sample is in the record.")
	press(`#alerts button[value=acknowledge]`)
	require.Contains(t, text(), "this alert will not ring again")
	press(`.acts a[href$="/crash"]`)
	press(`form.enter button`)
	require.Contains(t, text(), "The start of the crash is in the record.")
	press(`.acts a[href$="/package"]`)
	b.do(t, chromedp.Click(chromedp.CSS(`input[value=keg]`)))
	press(`form.enter button`)
	require.Contains(t, text(), "Tick this if it is to be packaged all the same.")
	b.do(t, chromedp.Click(chromedp.CSS(`input[name=warm]`)), chromedp.Click(chromedp.CSS(`input[name=acid]`)))
	press(`form.enter button`)
	require.Contains(t, text(), "The batch is packaged.")
	b.visit(t, "/new/file")
	b.do(t, chromedp.WaitVisible(chromedp.CSS("#file")))
	press(`form.enter button`)
	require.Contains(t, text(), "The batch is started.")

	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Equal(t, journal.Packaged, entries[len(entries)-1].Kind)
}

// The password opens the page; the keyboard alone is enough.
func TestLogInByKeyboard(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "dark")
	b.do(t, chromedp.Navigate(c.http.URL+"/batch/pale-12"))
	b.logOut(t)
	b.visit(t, "/batch/pale-12")
	require.Empty(t, b.violations(t))
	b.shoot(t, "dark_login")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#password"), "wrong\r"))
	b.until(t, `document.body.textContent.includes("That is not the password.")`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#password"), password+"\r"))
	b.until(t, `location.pathname === "/batch/pale-12"`)
	b.until(t, ready)
	b.do(t, chromedp.Focus(chromedp.CSS("#graph")), chromedp.KeyEvent("\u0302"), chromedp.KeyEvent("\u0302"))
	b.until(t, `/SG (estimated|projected)/.test(document.getElementById("readout").textContent)`)
}

// again serves the same address with a new server over the same journal, as a
// restarted daemon does.
func (c *cellar) again(t *testing.T, address string) {
	t.Helper()
	server, err := New(c.server.opts)
	require.NoError(t, err)
	h := &http.Server{Addr: address} //nolint:gosec // Configure sets the limits
	server.Configure(h)
	go func() { _ = h.ListenAndServe() }()
	t.Cleanup(func() { require.NoError(t, h.Close()) })
}

// Pages in their less usual states are as readable as in the usual ones:
// refused input, old data, something wrong, an answered link, nothing yet.
func TestUnusualStatesAreReadable(t *testing.T) {
	t.Parallel()
	var behind atomic.Bool
	c := whole(t, func(o *Options) {
		o.CatchingUp = func(string) bool { return behind.Load() }
		o.Health = func() []HealthItem {
			return []HealthItem{
				{Code: "broker", Text: "The broker at 127.0.0.1:1883 cannot be reached. Readings wait in the floats.", Since: noon},
				{Code: "journal", OK: true, Text: "The record can be written.", Since: noon},
				{Code: "batch-file", Text: "batches/pale.yaml:4:21: original_gravity: 1132; want an SG such as 1.0132\nbatches/pale.yaml:9:3: risk: 2; allowed is 0.001 to 0.5", Since: noon},
				{Code: "channel", Text: NoPhone + ": alerts are only on this page. Add notify to the configuration.", Since: noon},
			}
		}
	})
	waiting := pale()
	waiting.ID, waiting.Name, waiting.Sensors, waiting.PitchedAt = "wheat-1", "Quarry wheat 1", []string{"float-7"}, noon.Add(-time.Hour)
	c.start(waiting)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	look := func(name string) {
		t.Helper()
		b.looksRight(t, "state_"+name)
		b.size(t, 390, "light")
	}
	b.visit(t, "/new/file")
	b.do(t, chromedp.SetValue(chromedp.CSS("#file"), "batch: {name: x}"))
	b.press(t, "form.enter button")
	look("new")
	b.visit(t, "/access")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), "lamp in the hall"))
	b.press(t, "form.enter button")
	look("token")
	b.visit(t, "/batch/wheat-1")
	look("waiting")
	b.visit(t, "/")
	b.do(t, chromedp.Click(chromedp.CSS("summary")))
	look("trouble")
	for i := range 6 { // of an hour ago, so that the graph shows used ones beside
		at := noon.Add(-time.Duration(6-i) * 10 * time.Minute)
		require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{Sensor: "float-1", Quantity: ingest.Temperature, Time: at, Arrived: noon, Value: []float64{85, -5}[i%2], DeviceTime: true}}, nil))
	}
	c.temper("float-1", 85)
	late := urgent("pale-12", "tok-late")
	late.ID, late.Kind, late.Severity, late.Title, late.Raised, late.Recorded = "pale-12/sensor-silent/1", "sensor-silent", "warning", "No readings from float-4", noon.Add(-5*time.Hour), noon
	c.say(pale(), verdict{Text: "Start the crash by 18:55 today. In 19 of 20 cases the ceiling then holds."}, 25*time.Minute, late)
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	look("too_hot")
	b.visit(t, "/a/tok-late")
	look("found_late")
	b.visit(t, "/sensors")
	look("too_hot_sensor")
	c.advance(15 * time.Hour) // the alerts are of yesterday
	b.visit(t, "/batch/pale-12")
	look("stale")
	behind.Store(true)
	b.visit(t, "/batch/pale-12")
	look("behind")
	behind.Store(false)
	b.visit(t, "/a/tok-urgent")
	b.press(t, "button[value=acknowledge]")
	look("answered")
	require.Empty(t, b.faults())
}

// A page that nobody looks at keeps no stream open, and catches up when it is
// looked at again.
func TestAHiddenPageLetsGoOfItsStream(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	open := func(n int) {
		t.Helper()
		require.Eventually(t, func() bool { return len(c.server.streams) == n }, 2*time.Minute, 10*time.Millisecond)
	}
	hide := func(hidden string) {
		eval[chromedp.Void](t, b, `Object.defineProperty(document, "hidden", {value: `+hidden+`, configurable: true});
			document.dispatchEvent(new Event("visibilitychange")); void 0`)
	}
	open(1)
	hide("true")
	open(0)
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{
		Sensor: "float-1", Quantity: ingest.Temperature, Time: noon, Arrived: noon, Value: 25.2, DeviceTime: true,
	}}, nil))
	hide("false")
	open(1)
	b.until(t, `document.getElementById("figures").textContent.includes("25.2")`)
}

// A page of another origin on the same machine, to which the browser does send
// the session's cookie, can change nothing.
func TestAnotherOriginInTheBrowserCannotWrite(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	evil := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = fmt.Fprintf(w, `<form method="post" action="%s/batch/pale-12/crash"><button>Win a keg</button></form>`, c.http.URL)
	}))
	defer evil.Close()
	b.do(t, chromedp.Navigate(evil.URL))
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("button")))
	require.NoError(t, err)
	require.Contains(t, eval[string](t, b, `document.body.textContent`), "Nothing was changed: the request came from another site")
	entries, err := c.journal.Entries(t.Context(), "pale-12")
	require.NoError(t, err)
	require.Len(t, entries, 2)
	b.visit(t, "/batch/pale-12")
	require.Contains(t, eval[string](t, b, `document.title`), "Lantern", "the session itself is good")
}

// A hand sample that the disk has changed is missing from its batch's page, which
// says so in every width and theme and leads to where it is struck out; a batch that
// is not watched for it says that first.
func TestAChangedEntryIsReadable(t *testing.T) {
	t.Parallel()
	dir := full.folder(t, func() *cellar {
		c := newCellar(t, nil)
		c.fill()
		return c
	})
	file := filepath.Join(dir, journal.FileName)
	raw, err := os.ReadFile(file)
	require.NoError(t, err)
	require.True(t, bytes.Contains(raw, []byte(`"PH":4.12`)))
	require.NoError(t, os.WriteFile(file, bytes.ReplaceAll(raw, []byte(`"PH":4.12`), []byte(`"PH":3.12`)), 0o600))
	var unwatched atomic.Bool
	c := cellarIn(t, dir, func(o *Options) {
		o.Unwatched = func(batch string) string {
			if batch == "pale-12" && unwatched.Load() {
				return "Not watched, and no alert comes: look at the beer yourself. What is wrong: an entry was changed."
			}
			return ""
		}
	})
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.says(t, "One entry was changed on the disk and is not shown here.")
	b.looksRight(t, "changed_batch")
	b.size(t, 390, "light")
	eval[chromedp.Void](t, b, `document.getElementById("happened").scrollIntoView(); void 0`)
	b.shoot(t, "changed_happened")
	b.press(t, "#happened .caution a")
	b.says(t, "Sample: changed on the disk, so it is not shown, and its time may be wrong")
	b.looksRight(t, "changed_record")

	unwatched.Store(true)
	for _, path := range []string{"/", "/batch/pale-12"} {
		b.size(t, 390, "light")
		b.visit(t, path)
		b.says(t, "Not watched, and no alert comes: look at the beer yourself.")
		b.looksRight(t, "unwatched_"+shotName(path))
	}
	require.Empty(t, b.faults())
}
