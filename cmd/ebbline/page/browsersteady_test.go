package page

import (
	"fmt"
	"testing"

	cdpinput "github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
)

// News waits while a finger is down, two seconds at most; a tap on what has just moved
// presses nothing, the same tap a little later does.
func TestAFingerHitsWhatItMeans(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)

	eval[chromedp.Void](t, b, `globalThis.moments = {}; (() => {
		for (const what of ["pointerdown", "pointerup"]) addEventListener(what, () => { moments[what] = performance.now(); }, true);
		new MutationObserver(() => { moments.news ??= performance.now(); }).observe(document.getElementById("figures"), {childList: true, subtree: true});
	})(); void 0`)
	at := eval[[]float64](t, b, `(() => { const r = document.querySelector("h1").getBoundingClientRect(); return [r.x + 5, r.y + 5]; })()`)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchStart, [2]float64{at[0], at[1]})
	b.until(t, `moments.pointerdown !== undefined`)
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{{
		Sensor: "float-1", Quantity: ingest.Temperature, Time: noon, Arrived: noon, Value: 23.7, DeviceTime: true,
	}}, nil))
	eval[chromedp.Void](t, b, `new Promise((done) => setTimeout(done, 1000))`)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchEnd)
	b.until(t, `document.getElementById("figures").textContent.includes("23.7")`)
	b.until(t, `moments.pointerup !== undefined`)
	require.True(t, eval[bool](t, b, `moments.news > Math.min(moments.pointerup, moments.pointerdown + 1999)`), "%v", eval[any](t, b, `moments`))

	// In the very moment in which the alert has come, a tap lands on its button.
	const button = `#alerts article:first-of-type button[value=acknowledge]`
	tap := fmt.Sprintf(`document.querySelector(%q).dispatchEvent(new MouseEvent("click", {detail: 1, bubbles: true, cancelable: true}))`, button)
	eval[chromedp.Void](t, b, `new MutationObserver((_, self) => { self.disconnect(); globalThis.took = `+tap+`; }).observe(document.getElementById("alerts"), {childList: true}); void 0`)
	again := urgent("pale-12", "tok-2")
	again.ID, again.Title, again.Raised = "pale-12/over-ceiling/1", "The beer is above its ceiling", noon
	require.NoError(t, c.journal.Say(t.Context(), "pale-12", 0, nil, nil, []journal.Alert{again}, nil, noon, nil))
	b.until(t, `globalThis.took !== undefined`)
	require.False(t, eval[bool](t, b, `took`), "the tap was meant for what stood there before")
	b.finger(t).act(button)
	b.says(t, "this alert will not ring again")
	require.Empty(t, b.faults())
}
