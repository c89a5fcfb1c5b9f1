package page

import (
	"context"
	_ "embed"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

//go:embed testdata/axe/axe.min.js
var axe string

// tab is a page in a real Chromium.
type tab struct {
	*cellar
	ctx context.Context
	// console collects what the page's scripts threw and what the content
	// security policy blocked.
	hearing sync.Mutex
	console []string
}

func (b *tab) hear(text string) {
	b.hearing.Lock()
	defer b.hearing.Unlock()
	b.console = append(b.console, text)
}

// faults lists what the console said, but for failed requests.
func (b *tab) faults() []string {
	b.hearing.Lock()
	defer b.hearing.Unlock()
	return slices.DeleteFunc(slices.Clone(b.console), func(s string) bool { return strings.Contains(s, "Failed to load resource") })
}

// chromium is the browser that all tests share; each tab has a context of its
// own in it, with its own cookies, cache and workers.
func chromium(t testing.TB) context.Context {
	t.Helper()
	ctx, err := theBrowser()
	require.NoError(t, err, "Chromium starts (Debian package chromium)")
	return ctx
}

// open gives a fresh tab that is logged in at this cellar.
func (c *cellar) open(t testing.TB, browser context.Context) *tab {
	t.Helper()
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(stop)
	ctx, stop = context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(stop)
	b := &tab{cellar: c, ctx: ctx}
	said := chromedp.Console(ctx)
	go func() {
		for m, err := range said {
			if err != nil {
				return
			}
			b.hear(fmt.Sprint(m))
		}
	}()
	client := c.loggedIn()
	at, err := url.Parse(c.http.URL)
	require.NoError(t, err)
	for _, k := range client.Jar.Cookies(at) {
		_, err := chromedp.Call(ctx, network.SetCookie, network.SetCookieParams{Name: k.Name, Value: k.Value, URL: c.http.URL})
		require.NoError(t, err)
	}
	return b
}

func (b *tab) do(t testing.TB, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	require.NoError(t, chromedp.Do(b.ctx, steps...))
}

// size sets the screen's width in CSS pixels, and the theme.
func (b *tab) size(t testing.TB, width int64, theme string) {
	t.Helper()
	b.do(t, chromedp.EmulateViewport(width, 844, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulatePortrait))
	b.medium(t, "screen", theme)
}

// medium is a screen or print, in a theme. Nothing moves there, so that no colour
// is measured on its way to another.
func (b *tab) medium(t testing.TB, kind, theme string) {
	t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Media:    kind,
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
	})
	require.NoError(t, err)
}

func (b *tab) visit(t testing.TB, path string) {
	t.Helper()
	b.do(t, chromedp.Navigate(b.http.URL+path))
}

// eval runs an expression in the tab.
func eval[T any](t testing.TB, b *tab, expression string) T {
	t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	require.NoError(t, err)
	return v
}

// until waits for an expression to become true, also across navigations.
func (b *tab) until(t testing.TB, expression string) {
	t.Helper()
	var last error
	for range 2400 {
		var yes bool
		if yes, last = chromedp.Run(b.ctx, chromedp.Evaluate[bool](expression)); yes && last == nil {
			return
		}
		require.NoError(t, chromedp.Do(b.ctx, chromedp.Sleep(50*time.Millisecond)))
	}
	require.Fail(t, "did not come true", "%s (%v)", expression, last)
}

func (b *tab) script(t *testing.T, off bool) {
	t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: off})
	require.NoError(t, err)
}

// violations runs axe and lists what it finds, WCAG 2.2 AA and best practice.
func (b *tab) violations(t *testing.T) []string {
	t.Helper()
	return b.violationsIn(t, "light")
}

// violationsIn is the same of a page that is looked at in both themes: in the dark
// one only what colours do.
func (b *tab) violationsIn(t *testing.T, theme string) []string {
	t.Helper()
	only := ""
	if theme == "dark" {
		only = `, runOnly: ["cat.color"]`
	}
	if !eval[bool](t, b, `"axe" in globalThis`) {
		eval[chromedp.Void](t, b, axe+";void 0")
	}
	return eval[[]string](t, b, `axe.run(document, {resultTypes: ["violations"]`+only+`}).then((r) => r.violations.flatMap(
		(v) => v.nodes.map((n) => v.id + ": " + n.target.join(" ") + ": " + n.failureSummary)))`)
}

// readable lets axe look at the page in both themes, which differ in their colours
// only, and keeps a picture of each.
func (b *tab) readable(t *testing.T, name string) {
	t.Helper()
	for _, theme := range []string{"light", "dark"} {
		b.medium(t, "screen", theme)
		require.Empty(t, b.violationsIn(t, theme), "%s, %s", name, theme)
		b.shoot(t, theme+"_"+name)
	}
	b.medium(t, "screen", "light")
}

// tooWide lists elements that reach beyond the screen.
const tooWide = `(() => { const w = document.documentElement.clientWidth; if (document.documentElement.scrollWidth <= w) return [];
	return [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > w + 0.5 && !e.closest(".skip"))
		.map((e) => e.tagName + "." + e.className + " to " + e.getBoundingClientRect().right).slice(0, 8).concat(["page " + document.documentElement.scrollWidth]); })()`

// tooSmall lists controls under 44 by 44 CSS pixels. Links inside a sentence
// may be as high as its line (WCAG 2.2, 2.5.8).
const tooSmall = `[...document.querySelectorAll("a,button,input:not([type=hidden]),textarea,summary,select")].filter((e) => {
	if (e.closest("[hidden]") || e.classList.contains("skip") || e.closest("p:not(.back)") && e.tagName === "A" && !e.matches(".button,.more")) return false;
	if (e.closest("details:not([open])") && e.tagName !== "SUMMARY") return false;
	const box = (e.closest("label.choice") ?? e).getBoundingClientRect();
	return box.width < 44 || box.height < 44; }).map((e) => { const r = e.getBoundingClientRect(); return e.outerHTML.slice(0, 90) + " " + r.width + "x" + r.height; })`

// everyPage is what a person can look at.
var everyPage = []string{ //nolint:gochecknoglobals // a constant table
	"/", "/batch/pale-12", "/batch/pale-12/what-if", "/batch/amber-3", "/batch/stout-2", "/batch/pale-12/sample", "/batch/pale-12/crash",
	"/batch/pale-12/package", "/batch/pale-12/note", "/batch/pale-12/record", "/batch/pale-12/sensors", "/batch/pale-12/strike?of=2", "/new", "/new/file", "/phone",
	"/batch/pale-12/report", "/batch/pale-12/export", "/compare?a=pale-12&b=amber-3", "/sensors/use?topic=attic/unknown", "/sensors/calibrate?sensor=float-8", "/sensors", "/access", "/a/tok-urgent", "/nowhere",
}

// shoot keeps a picture of the page in the folder $EBBLINE_SHOTS, to look at.
func (b *tab) shoot(t *testing.T, name string) {
	t.Helper()
	dir := os.Getenv("EBBLINE_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, func(ctx context.Context, tg *chromedp.Target) ([]byte, error) {
		return chromedp.FullScreenshot(100)(ctx, tg)
	})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, name+".png"), png, 0o600))
}

// shotName is a path as a file's name.
func shotName(path string) string {
	return strings.NewReplacer("/", "_", "?", "-", "=", "-", "&", "-").Replace(strings.TrimPrefix(path, "/"))
}

func TestPagesFitEveryScreenAndReader(t *testing.T) {
	t.Parallel()
	b := whole(t, withSuppose(t)).open(t, chromium(t))
	for _, path := range everyPage {
		b.visit(t, path)
		b.looksRight(t, "page_"+shotName(path))
	}
	require.Empty(t, b.faults())
}

// drawn: the graph, if there is one, is drawn as wide as there is room.
const drawn = `(() => { const g = document.getElementById("graph"); return !g || g.dataset.ready === "yes" && g.querySelector(".uplot").offsetWidth === g.clientWidth; })()`

// looksRight looks at the page at every width, and at 390 px in both themes and
// with text twice as large (WCAG 2.2, 1.4.4).
func (b *tab) looksRight(t *testing.T, name string) {
	t.Helper()
	for _, width := range []int64{320, 360, 390, 768, 1280} {
		b.size(t, width, "light")
		b.until(t, drawn)
		at := fmt.Sprintf("%s at %d px", name, width)
		require.Empty(t, eval[[]string](t, b, tooWide), "too wide: %s", at)
		require.Empty(t, eval[[]string](t, b, tooSmall), "too small to tap: %s", at)
		require.Less(t, eval[float64](t, b, `document.querySelector(".top").getBoundingClientRect().height`), 60.0, "the header takes one row: %s", at)
		switch width {
		case 390:
			b.readable(t, name)
			eval[chromedp.Void](t, b, `document.documentElement.style.fontSize = "200%"; void 0`)
			require.Empty(t, eval[[]string](t, b, tooWide), "too wide with large text: %s", at)
			b.shoot(t, "large_"+name)
			eval[chromedp.Void](t, b, `document.documentElement.style.fontSize = ""; void 0`)
		case 1280:
			b.shoot(t, "wide_"+name)
		}
	}
}

// logOut forgets the session.
func (b *tab) logOut(t *testing.T) {
	t.Helper()
	_, err := chromedp.Call(b.ctx, network.DeleteCookies, network.DeleteCookiesParams{Name: cookieName, URL: b.http.URL})
	require.NoError(t, err)
}

// The checks of this file find what they look for.
func TestTheChecksCanFail(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/batch/pale-12")
	require.Empty(t, eval[[]string](t, b, tooWide))
	require.Empty(t, eval[[]string](t, b, tooSmall))
	eval[chromedp.Void](t, b, `document.querySelector("main").insertAdjacentHTML("beforeend",
		'<div class="far-out"></div><button class="tiny"></button>'); 
		Object.assign(document.querySelector(".far-out").style, {width: "500px", height: "9px"});
		Object.assign(document.querySelector(".tiny").style, {minHeight: "20px", height: "20px"});
		const s = document.createElement("script"); s.textContent = "document.title = 'inline'"; document.body.append(s); void 0`)
	require.NotEmpty(t, eval[[]string](t, b, tooWide))
	require.Len(t, eval[[]string](t, b, tooSmall), 1)
	require.Contains(t, strings.Join(b.violations(t), "\n"), "button-name")
	eval[chromedp.Void](t, b, `document.querySelector("h1").style.color = "#eee"; void 0`)
	require.Contains(t, strings.Join(b.violationsIn(t, "dark"), "\n"), "color-contrast")
	require.NotEqual(t, "inline", eval[string](t, b, `document.title`), "the policy stops inline scripts")
	require.Eventually(t, func() bool { return len(b.faults()) > 0 }, 2*time.Minute, 20*time.Millisecond, "and says so")
}

// Whoever is woken by the link finds message, deadline and all buttons on one
// screen of a phone, the crash first and largest.
func TestTheLinkFitsOneScreen(t *testing.T) {
	t.Parallel()
	c := newCellar(t, nil)
	c.start(pale())
	a := urgent("pale-12", "tok")
	sentence := "Start the crash now, or keg and chill. Cool it to 2.0 °C, starting by 18:55 today. In 19 of 20 cases the ceiling of 0.5 % ABV then holds."
	a.Title = "Start the crash now: Lantern pale 12"
	a.Message = sentence + " Then enter that the crash has started. Now 0.37 ± 0.06 % ABV. Keep it at 5 °C (41 °F) or below until it is drunk: warm, stopped beer ferments again and can burst a closed vessel."
	c.say(pale(), verdict{Text: sentence}, 25*time.Minute, a)
	b := c.open(t, chromium(t))
	b.size(t, 390, "light")
	b.visit(t, "/a/tok")
	require.LessOrEqual(t, eval[float64](t, b, `document.querySelector("main form").getBoundingClientRect().bottom`), 844.0)
	require.LessOrEqual(t, eval[float64](t, b, `document.querySelector("main").getBoundingClientRect().bottom`), 844.0)
	require.True(t, eval[bool](t, b, `(() => { const [first, ...rest] = [...document.querySelectorAll("main button")].map((e) => e.getBoundingClientRect());
		return rest.length === 2 && rest.every((r) => first.top < r.top && first.height > r.height && first.width >= r.width); })()`))
	b.readable(t, "link")
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("button[value=acknowledge]")))
	require.NoError(t, err)
	require.LessOrEqual(t, eval[float64](t, b, `document.querySelector("main").getBoundingClientRect().bottom`), 844.0)
	b.shoot(t, "link_seen")

	late := newer()
	late.Text = strings.Replace(sentence, "starting by 18:55 today. In 19 of 20 cases the ceiling of 0.5 % ABV then holds.", "The moment for the accepted risk has passed. If it starts within 30 min, the ceiling of 0.5 % ABV still holds in 17 of 20 cases.", 1)
	late.Time = noon.Add(time.Hour)
	c.believe("pale-12", late)
	b.visit(t, "/a/tok")
	require.Contains(t, eval[string](t, b, `document.querySelector("h1").textContent`), "Start the crash now")
	require.LessOrEqual(t, eval[float64](t, b, `document.querySelector("main form").getBoundingClientRect().bottom`), 844.0, "what it said then stands below")
	b.shoot(t, "link_later")
}
