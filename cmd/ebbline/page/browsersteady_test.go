package page

import (
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

	// In the very moment in which the alert has come, a tap lands on its button, and a
	// finger that then stays down for long; a link that stands still is pressed. The page's
	// clock goes slowly meanwhile: the machine may take its time between two lines.
	eval[chromedp.Void](t, b, `(() => {
			const clock = performance.now.bind(performance), since = clock();
			performance.now = () => since + (clock() - since) / 10;
			globalThis.inTime = () => { performance.now = clock; };
		})();
		globalThis.on = (sel, kind) => document.querySelector(sel).dispatchEvent(kind === "click"
			? new MouseEvent(kind, {detail: 1, bubbles: true, cancelable: true}) : new PointerEvent(kind, {bubbles: true}));
		document.querySelector(".home").addEventListener("click", (e) => { globalThis.still = !e.defaultPrevented; e.preventDefault(); });
		new MutationObserver((_, self) => {
			self.disconnect();
			globalThis.quick = on("`+seen+`", "click");
			on(".home", "click");
			on("`+seen+`", "pointerdown");
			setTimeout(() => { on("`+seen+`", "pointerup"); globalThis.slow = on("`+seen+`", "click"); }, 800);
		}).observe(document.getElementById("alerts"), {childList: true}); void 0`)
	c.another("pale-12/over-ceiling/1")
	b.until(t, `globalThis.slow !== undefined`)
	require.Equal(t, []bool{false, false, true}, eval[[]bool](t, b, `[quick, slow, still]`), "a tap meant for what stood there before, a slow one, one on what stands still")
	require.Contains(t, eval[string](t, b, `document.querySelector(".moved").textContent`), "Press again")
	eval[chromedp.Void](t, b, `inTime(); void 0`)
	b.readable(t, "moved")
	b.finger(t).act(seen)
	b.says(t, "this alert will not ring again")
	require.Empty(t, b.faults())
}

// seen is the button of the first alert by which it is answered.
const seen = `#alerts article:first-of-type button[value=acknowledge]`

// another raises one more urgent alert of a batch.
func (c *cellar) another(id string) {
	c.Helper()
	a := urgent("pale-12", "tok-"+id)
	a.ID, a.Title, a.Raised = id, "The beer is above its ceiling", noon
	require.NoError(c, c.journal.Say(c.Context(), "pale-12", 0, nil, nil, []journal.Alert{a}, nil, noon, nil))
}

// Enter answers the alert that has the focus, wherever news has moved it, and nothing
// when that is gone.
func TestEnterPressesNoNeighbour(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	first := eval[string](t, b, `document.querySelector("`+seen+`").form.elements.alert.value`)
	eval[chromedp.Void](t, b, `document.querySelector("`+seen+`").focus(); void 0`)
	c.another("pale-12/over-ceiling/1")
	b.until(t, `document.querySelectorAll("#alerts article").length === 2`)
	require.Equal(t, first, eval[string](t, b, `document.activeElement.form.elements.alert.value`))
	require.Equal(t, "pale-12/over-ceiling/1", eval[string](t, b, `document.querySelector("`+seen+`").form.elements.alert.value`), "its place is another's")

	require.NoError(t, c.journal.Say(t.Context(), "pale-12", 0, nil, nil, nil, []string{first}, noon, nil))
	b.until(t, `document.querySelectorAll("#alerts article").length === 1`)
	require.Equal(t, "alerts", eval[string](t, b, `document.activeElement.id`))
	b.do(t, chromedp.KeyEvent("\r"))
	require.Equal(t, "/batch/pale-12", eval[string](t, b, `location.pathname`))
	a, err := c.journal.Alert(t.Context(), "pale-12/over-ceiling/1")
	require.NoError(t, err)
	require.Nil(t, a.Acknowledged)
	require.Empty(t, b.faults())
}
