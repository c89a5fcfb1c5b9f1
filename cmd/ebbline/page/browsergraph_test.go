package page

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	cdpinput "github.com/chromedp/cdproto/input"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/projection/gravity"
)

// shown is the part of the time that the graph shows, Unix seconds.
func (b *tab) shown(t *testing.T) (from, to float64) {
	t.Helper()
	a, z, _ := strings.Cut(eval[string](t, b, `document.getElementById("graph").dataset.window`), ",")
	from, err := strconv.ParseFloat(a, 64)
	require.NoError(t, err)
	to, err = strconv.ParseFloat(z, 64)
	require.NoError(t, err)
	return from, to
}

// becomes waits until the graph shows a part that fits, and has its data.
func (b *tab) becomes(t *testing.T, what string) {
	t.Helper()
	b.until(t, `(() => { const [from, to] = document.getElementById("graph").dataset.window.split(",").map(Number); const wide = (to - from) / 3600; return `+what+`; })()`)
}

// touch moves fingers, each by its x and y, in CSS pixels of the screen.
func (b *tab) touch(t *testing.T, kind cdpinput.DispatchTouchEventType, at ...[2]float64) {
	t.Helper()
	points := []*cdpinput.TouchPoint{}
	for i, p := range at {
		id := float64(i)
		points = append(points, &cdpinput.TouchPoint{X: p[0], Y: p[1], ID: &id})
	}
	_, err := chromedp.Call(b.ctx, cdpinput.DispatchTouchEvent, cdpinput.DispatchTouchEventParams{Type: kind, TouchPoints: points})
	require.NoError(t, err)
}

// The graph is read and searched with fingers, keys, buttons and a mouse; what
// is looked at closely has bins of its own.
func TestTheGraphIsSearched(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	from, to := b.shown(t)
	all := (to - from) / 3600
	require.Greater(t, all, 48.0)
	b.wordsKeepApart(t)

	b.do(t, chromedp.Focus(chromedp.CSS("#graph")))
	press := func(key string) {
		t.Helper()
		eval[chromedp.Void](t, b, `document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "`+key+`", bubbles: true, cancelable: true})); void 0`)
	}
	press("+")
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 0.1", all/2))
	require.Equal(t, "false,false,false", eval[string](t, b, `[...document.querySelectorAll("#ranges button")].map((e) => e.ariaPressed).join()`))
	press("PageUp")
	b.becomes(t, fmt.Sprintf("from < %g", from+1))
	press("Escape")
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 0.1", all))

	b.do(t, chromedp.Click(chromedp.CSS(`#ranges button[data-hours="24"]`)))
	b.becomes(t, "Math.abs(wide - 36) < 0.1")
	b.do(t, chromedp.Click(chromedp.CSS(`#ranges button[data-hours="0"]`)))
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 0.1", all))

	eval[chromedp.Void](t, b, `document.getElementById("graph").scrollIntoView({block: "center"}); void 0`)
	y := eval[float64](t, b, `(() => { const r = document.querySelector("#graph .u-over").getBoundingClientRect(); return (r.top + r.bottom) / 2; })()`)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchStart, [2]float64{150, y})
	b.until(t, `/SG estimated/.test(document.getElementById("readout").textContent)`)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchEnd)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchStart, [2]float64{180, y}, [2]float64{220, y})
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchMove, [2]float64{140, y}, [2]float64{260, y})
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchEnd)
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 3", all/3))
	before, _ := b.shown(t)
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchStart, [2]float64{200, y})
	for x := 210.0; x <= 260; x += 10 {
		b.touch(t, cdpinput.DispatchTouchEventTypeTouchMove, [2]float64{x, y})
	}
	b.touch(t, cdpinput.DispatchTouchEventTypeTouchEnd)
	b.becomes(t, fmt.Sprintf("from < %g - 3600", before))
	require.Empty(t, b.violations(t))

	b.size(t, 1280, "dark")
	press("Escape")
	eval[chromedp.Void](t, b, `document.getElementById("graph").scrollIntoView({block: "center"}); void 0`)
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 0.1", all))
	box := eval[map[string]float64](t, b, `(() => { const r = document.querySelector("#graph .u-over").getBoundingClientRect(); return {x: r.left + r.width / 4, y: r.top + r.height / 2, w: r.width}; })()`)
	b.do(t,
		chromedp.MouseEvent(cdpinput.DispatchMouseEventTypeMousePressed, box["x"], box["y"], chromedp.ButtonLeft),
		chromedp.MouseEvent(cdpinput.DispatchMouseEventTypeMouseMoved, box["x"]+box["w"]/4, box["y"], chromedp.ButtonLeft),
		chromedp.MouseEvent(cdpinput.DispatchMouseEventTypeMouseReleased, box["x"]+box["w"]/4, box["y"], chromedp.ButtonLeft))
	b.becomes(t, fmt.Sprintf("Math.abs(wide - %g) < 1", all/4))
	require.Empty(t, b.faults())
}

// wordsKeepApart: words at the head of the graph never lie on each other, wherever
// their lines stand, and never leave the plot.
func (b *tab) wordsKeepApart(t *testing.T) {
	t.Helper()
	for _, at := range []string{"[100, 104, 108, 112]", "[40, 42, 2, 300]", "[298, 299, 300, 290]", "[150, 150, 152, 149]"} {
		require.Empty(t, eval[[]string](t, b, `import("/assets/ink.js").then(({ heads }) => {
			const ctx = document.createElement("canvas").getContext("2d"), boxes = [];
			ctx.fillText = (word, x, y) => { const wide = ctx.measureText(word).width; const from = ctx.textAlign === "right" ? x - wide : x; boxes.push({ word, from, to: from + wide, y }); };
			const words = ["now", "crash by", "crash started", "packaged"];
			heads({ ctx, bbox: { left: 0, top: 0, width: 300, height: 200 } }, `+at+`.map((x, i) => ({ x, word: words[i], before: i === 0 })), { ink: "#000", card: "#fff" });
			if (boxes.length !== words.length) return ["not all are written"];
			return boxes.flatMap((a, i) => [...boxes.slice(i + 1).filter((b) => a.from < b.to && b.from < a.to && Math.abs(a.y - b.y) < 12).map((b) => a.word + " on " + b.word),
				...(a.from < 0 || a.to > 300 ? [a.word + " leaves the plot"] : [])]);
		})`), at)
	}
}

// "now" and "crash by" stand each on the side away from the other's line, so that
// none is struck through when the lines are close.
func TestNowAndCrashByStandApart(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	_, err := chromedp.Call(b.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{
		Source: `globalThis.sides = {}; const fill = CanvasRenderingContext2D.prototype.fillText;
			CanvasRenderingContext2D.prototype.fillText = function (text, ...at) { globalThis.sides[text] = this.textAlign; return fill.call(this, text, ...at); };`,
	})
	require.NoError(t, err)
	b.size(t, 390, "light")
	for _, want := range []map[string]string{{"now": "right", "crash by": "left"}, {"now": "left", "crash by": "right"}} { // due in 25 minutes; since 35
		b.visit(t, "/batch/pale-12")
		b.until(t, ready)
		require.Subset(t, eval[map[string]string](t, b, `globalThis.sides`), want)
		b.shoot(t, "graph_crash_by_now_"+want["now"])
		c.advance(time.Hour)
	}
}

// News that come faster than the data can be fetched do not keep the graph from
// being drawn.
func TestNewsDoNotStarveTheGraph(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	_, err := chromedp.Call(b.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{
		Source: `setInterval(() => document.dispatchEvent(new CustomEvent("fresh")), 1)`,
	})
	require.NoError(t, err)
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
}

// Scales that were chosen stay chosen, and the graph converts as Go does.
func TestScalesAreRemembered(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	b.script(t, true)
	for _, scale := range []string{"plato", "degF"} {
		_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS(`.scales button[value=`+scale+`]`)))
		require.NoError(t, err)
	}
	b.script(t, false)
	b.visit(t, "/batch/pale-12")
	b.until(t, ready)
	figures := eval[string](t, b, `document.getElementById("figures").textContent`)
	require.Contains(t, figures, "°P")
	require.Contains(t, figures, "°P a day")
	require.Contains(t, figures, "°F")
	require.Contains(t, eval[string](t, b, `document.getElementById("happened").textContent`), "Sample: 2.97 °P")
	eval[chromedp.Void](t, b, `document.getElementById("graph").focus(); document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "Home", bubbles: true})); void 0`)
	b.until(t, `/°P estimated.*°F/.test(document.getElementById("readout").textContent)`)
	for _, g := range []gravity.SG{0.99, 1.0094, 1.0132, 1.05, 1.11} {
		got := eval[float64](t, b, fmt.Sprintf(`import("/assets/scale.js").then((m) => m.inScale({gravity: [], temperature: [], estimate: [], fan: [], marks: [], target_gravity: %g, low: 1, high: 1},
			m.scalesOf(document.getElementById("graph"))).target_gravity)`, float64(g)))
		require.InDelta(t, float64(g.Plato()), got, 1e-9)
	}
	require.Empty(t, eval[[]string](t, b, tooWide))
	b.shoot(t, "scales")
	require.Empty(t, b.faults())
}

// The slider answers as it is moved, and its answer is what stays after a
// reload and what the keyboard gives.
func TestWhatIfAnswersTheSlider(t *testing.T) {
	t.Parallel()
	c := whole(t, withSuppose(t))
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12/what-if")
	eval[chromedp.Void](t, b, `globalThis.here = "not reloaded"; void 0`)
	b.do(t, chromedp.Focus(chromedp.CSS("#in")))
	for range 4 {
		b.do(t, chromedp.KeyEvent("\u0303")) // arrow up: half an hour a step
	}
	b.until(t, `document.getElementById("chosen").textContent.includes("in 2 h, today 20:30")`)
	was := eval[string](t, b, `document.getElementById("answer").textContent`)
	eval[chromedp.Void](t, b, `(() => { const at = document.getElementById("at"); at.value = "4"; at.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	b.until(t, `document.getElementById("held").textContent === "4.0 °C" && location.search.includes("hold=yes")`)
	require.NotEqual(t, was, eval[string](t, b, `document.getElementById("answer").textContent`))
	require.Equal(t, "not reloaded", eval[string](t, b, `globalThis.here`))
	require.Empty(t, b.violations(t))
	was = eval[string](t, b, `document.getElementById("answer").textContent`)
	b.do(t, chromedp.Navigate(eval[string](t, b, `location.href`)))
	require.Equal(t, was, eval[string](t, b, `document.getElementById("answer").textContent`))

	b.script(t, true)
	b.visit(t, "/batch/pale-12/what-if")
	b.do(t, chromedp.Focus(chromedp.CSS("#in")), chromedp.KeyEvent("\u0301")) // end
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("#work")))
	require.NoError(t, err)
	text, err := chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS("main")))
	require.NoError(t, err)
	require.Contains(t, text, "in 24 h")
	require.Empty(t, b.faults())
}

// Sixteen tabs of one browser, more than it opens connections to a host, all
// hear of a reading, and a seventeenth page still loads: they share one stream.
func TestSixteenTabsDoNotStarve(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale()) // and little else: the tabs ask, not the record
	require.NoError(t, c.journal.Record(t.Context(), reading(noon.Add(-time.Hour), 1.0102), nil))
	first := c.open(t, chromium(t))
	tabs := []*tab{first}
	for range 15 {
		ctx, stop := chromedp.NewContext(first.ctx)
		t.Cleanup(stop)
		tabs = append(tabs, &tab{cellar: c, ctx: ctx})
	}
	for _, b := range tabs {
		b.visit(t, "/")
		require.False(t, eval[bool](t, b, "document.hidden"), "each is looked at")
	}
	require.Eventually(t, func() bool { return len(c.server.streams) == 1 }, 2*time.Minute, 10*time.Millisecond)
	c.believe("pale-12", newer())
	require.NoError(t, c.journal.Record(t.Context(), reading(noon, 1.0101), nil))
	for _, b := range tabs {
		b.until(t, `document.body.textContent.includes("Start the crash by 18:42 today.")`)
	}
	first.visit(t, "/batch/pale-12")
	first.until(t, ready)
}
