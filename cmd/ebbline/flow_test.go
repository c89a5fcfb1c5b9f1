package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// phoneScreen is a brewer's phone: a real Chromium as wide as one.
type phoneScreen struct {
	t    *testing.T
	ctx  context.Context
	base string
	shot int
}

func newPhoneScreen(t *testing.T, base string) *phoneScreen {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath("chromium"), chromedp.UserDataDir(t.TempDir()),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	require.NoError(t, chromedp.Do(ctx), "Chromium starts (Debian package chromium)")
	ctx, stop = context.WithTimeout(ctx, 15*time.Minute)
	t.Cleanup(stop)
	p := &phoneScreen{t: t, ctx: ctx, base: base}
	p.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulatePortrait))
	_, err := chromedp.Call(ctx, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: "UTC"})
	require.NoError(t, err)
	return p
}

func (p *phoneScreen) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	require.NoError(p.t, chromedp.Do(p.ctx, steps...))
}

func (p *phoneScreen) visit(path string) {
	p.t.Helper()
	p.do(chromedp.Navigate(p.base + path))
}

// tapping makes the page tell whether it takes the next tap on what is meant: it refuses
// one on what has just moved. One that misses presses nothing here.
func tapping(sel string) string {
	return fmt.Sprintf(`(() => { globalThis.tap = ""; let hit = false; const meant = %q;
		addEventListener("click", (e) => { hit = e.target.closest(meant) !== null || e.target.closest("label")?.querySelector(meant) != null; if (!hit) { e.preventDefault(); e.stopImmediatePropagation(); } }, {once: true, capture: true});
		addEventListener("click", () => { if (hit) globalThis.tap = "taken"; }, {once: true});
		addEventListener("mouseup", () => setTimeout(() => { globalThis.tap ||= "refused"; }), {once: true, capture: true}); })()`, sel)
}

// press taps what leads to another page, again if the page has just moved, and waits
// for it.
func (p *phoneScreen) press(sel string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, longEnough)
	defer stop()
	for refused := true; refused; {
		p.eval(tapping(sel))
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(sel))); err != nil {
			require.NoError(p.t, ctx.Err(), "%s: %v", sel, err)
			continue // it was replaced meanwhile
		}
		p.until(`globalThis.tap !== ""`)
		var err error
		refused, err = chromedp.Run(ctx, chromedp.Evaluate[bool](`globalThis.tap === "refused"`))
		refused = err == nil && refused // an error: the page is on its way
	}
	p.until(`globalThis.tap === undefined && document.readyState === "complete"`)
	p.keep(sel)
}

func (p *phoneScreen) fill(id, value string) {
	p.t.Helper()
	p.eval(fmt.Sprintf(`(() => { const e = document.getElementById(%q); e.value = %q; e.dispatchEvent(new Event("input", {bubbles: true})); })()`, id, value))
}

func (p *phoneScreen) eval(expression string) {
	p.t.Helper()
	_, err := chromedp.Run(p.ctx, chromedp.Evaluate[chromedp.Void](expression+"; void 0"))
	require.NoError(p.t, err)
}

// shows waits until the page says something, without loading it again.
func (p *phoneScreen) shows(what string) {
	p.t.Helper()
	p.until(fmt.Sprintf(`document.querySelector("main").textContent.replaceAll("\u00a0", " ").includes(%q)`, what))
}

func (p *phoneScreen) until(expression string) {
	p.t.Helper()
	for begun := time.Now(); time.Since(begun) < longEnough; {
		if yes, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](expression)); err == nil && yes {
			return
		}
		p.do(chromedp.Sleep(50 * time.Millisecond))
	}
	require.Fail(p.t, "did not come true", "%s on\n%s", expression, p.text("main"))
}

func (p *phoneScreen) text(sel string) string {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.TextContent(chromedp.CSS(sel)))
	require.NoError(p.t, err)
	return v
}

// keep puts a picture into the folder $EBBLINE_SHOTS, to look at.
func (p *phoneScreen) keep(what string) {
	p.t.Helper()
	dir := os.Getenv("EBBLINE_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(p.ctx, func(ctx context.Context, tg *chromedp.Target) ([]byte, error) {
		return chromedp.FullScreenshot(100)(ctx, tg)
	})
	require.NoError(p.t, err)
	p.shot++
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return '-'
	}, what)
	require.NoError(p.t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("flow_%02d_%s.png", p.shot, name)), png, 0o600))
}

// A brewer with nothing but a phone and the printed password: the batch is
// pitched, the float found on the broker and given to it, a reading seen to
// arrive, a sample moves the belief, the phone rings and is answered, the crash
// is started, the beer kegged. The daemon is a process of its own with a
// configuration file, and is killed in between.
func TestAWholeBatchFromThePhone(t *testing.T) {
	t.Parallel()
	ring := newSink(t)
	h := newResidence(t)
	h.extra = fmt.Sprintf("notify:\n  - {webhook: %q, name: pocket}\ntimezone: UTC\n", ring.URL)
	d := dueBatch(t, 5*time.Hour) // so that a sample that is right does not put it off
	p := h.serve(t)
	requireReadyWithin10s(t, p)
	b := newPhoneScreen(t, p.page)

	b.visit("/")
	b.fill("password", firstPassword(t, p))
	b.press("form.enter button")
	b.shows("No batch is running")

	b.press(`a[href="/new"]`)
	b.fill("name", "Lantern pale 2")
	b.fill("original_gravity", "1,0130")
	b.shows("Start the crash at") // what plan says, as it is typed
	b.fill("volume", "19")
	b.fill("time_constant", "3,6")
	b.fill("time", pitchOf(t, d).Format("2006-01-02T15:04"))
	b.press(`button[value=start]`)
	b.shows("The batch is started.")
	batch, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`location.pathname`))
	require.NoError(t, err)

	// The float is in the beer and publishes; nobody has said what it is.
	b.visit("/sensors")
	publish(t, h.mqtt, "cellar/float-1", d.lines[:1])
	b.shows("cellar/float-1")
	b.press(`a[href^="/sensors/use"]`)
	b.shows("gravity 1.0162 SG")
	b.eval(`document.getElementById("batch").selectedIndex = 1`)
	b.press(`button[value=define]`)
	b.shows("The sensors are changed")

	b.eval(`globalThis.here = "not loaded again"`)
	b.until(`document.getElementById("figures").textContent.includes("no reading yet")`)
	publish(t, h.mqtt, "cellar/float-1", d.lines[1:40])
	b.until(`!document.getElementById("figures").textContent.includes("no reading yet")`)
	b.until(`globalThis.here === "not loaded again"`)
	p.kill()
	p = h.serve(t)
	requireReadyWithin10s(t, p)

	publish(t, h.mqtt, "cellar/float-1", d.lines[40:])
	// A sample moves the belief, at once; 1009.6 is offered as 1.0096.
	b.visit(batch)
	before := shown(b, "Alcohol")
	b.press(`.acts a[href$="/sample"]`)
	meant := sampleOf(t, d)
	points := strings.Replace(meant, ".", "", 1)
	b.fill("gravity", points[:4]+"."+points[4:])
	b.press("form.enter > button:last-of-type")
	b.shows("Did you mean " + meant + " SG?")
	b.press("button.offer")
	b.press("form.enter > button:last-of-type")
	b.shows("The sample is in the record.")
	b.until(fmt.Sprintf(`[...document.querySelectorAll("#figures dl div")].find((e) => e.querySelector("dt").textContent.includes("Alcohol")).querySelector("dd").textContent.trim() !== %q`, before))
	require.Eventually(t, func() bool { return len(callsToCrash(ring)) > 0 }, longEnough, 50*time.Millisecond, "the phone rings")
	b.shows("Start the crash")

	b.visit("/a/" + strings.TrimPrefix(ackPath(t, ring), "/a/"))
	b.press(`button[value=acknowledge]`)
	b.shows("Answered. This alert will not ring again")
	b.visit(batch)
	b.press(`.acts a[href$="/crash"]`)
	b.press("form.enter > button:last-of-type")
	b.shows("The start of the crash is in the record.")
	b.shows("as it cools")

	b.press(`.acts a[href$="/package"]`)
	b.shows("Primed for bottles")
	b.eval(`document.querySelector("input[value=keg]").click()`)
	b.fill("ph", "3,8")
	b.press("form.enter > button:last-of-type")
	b.shows("Tick this if it is to be packaged all the same.")
	b.eval(`document.querySelector("input[name=warm]").click()`)
	b.press("form.enter > button:last-of-type")
	b.shows("The batch is packaged.")
	b.shows("Kegged")
	b.shows("pH 3.80")

	require.Contains(t, p.get("/api/v1/health"), "Messages get out by pocket.")
	b.visit("/phone")
	b.press(`button[value=pocket]`)
	b.shows("The service accepted the test.")
	require.Len(t, ring.of("test"), 1)
	p.term()
}

// firstPassword is the one that the daemon printed when it first started.
func firstPassword(t *testing.T, p *process) string {
	t.Helper()
	var word string
	require.Eventually(t, func() bool { // what it printed comes through a pipe
		_, rest, _ := strings.Cut(p.stderr.String(), "The password of the page is ")
		var whole bool
		word, _, whole = strings.Cut(rest, ".")
		return whole
	}, time.Minute, 10*time.Millisecond, "%s", p.stderr)
	return word
}

// pitchOf is when a due batch was pitched, by its file.
func pitchOf(t *testing.T, d due) time.Time {
	t.Helper()
	text, err := os.ReadFile(d.batch)
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(text), "pitched_at: ")
	require.True(t, ok)
	line, _, _ := strings.Cut(rest, "\n")
	at, err := time.Parse(time.RFC3339, line)
	require.NoError(t, err)
	return at.UTC()
}

// callsToCrash are those that ask for the crash, now or soon.
func callsToCrash(s *sink) []hookCall { return append(s.of("crash-soon"), s.of("crash-now")...) }

// ackPath is the path of the last link by which the phone may answer.
func ackPath(t *testing.T, s *sink) string {
	t.Helper()
	calls := callsToCrash(s)
	link, ok := calls[len(calls)-1].Body["ack_url"].(string)
	require.True(t, ok)
	return link[strings.Index(link, "/a/"):]
}

// shown is what stands under a name among the batch's figures.
func shown(b *phoneScreen, name string) string {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](fmt.Sprintf(
		`[...document.querySelectorAll("#figures dl div")].find((e) => e.querySelector("dt").textContent.includes(%q)).querySelector("dd").textContent.trim()`, name)))
	require.NoError(b.t, err)
	return v
}

// sampleOf is what a hydrometer shows now: the capture's truth, which is by the hour,
// SG with four decimals.
func sampleOf(t *testing.T, d due) string {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(unpacked(t, filepath.Join(captures, "plain-02", "truth.csv.gz")))).ReadAll()
	require.NoError(t, err)
	now := time.Now().Add(-d.shift).UTC()
	hour := now.Truncate(time.Hour)
	at := slices.IndexFunc(rows, func(row []string) bool { return row[0] == hour.Format(time.RFC3339) })
	require.Positive(t, at, "the hour %s", hour)
	require.Less(t, at+1, len(rows), "the hour after %s", hour)
	before, err := strconv.ParseFloat(rows[at][1], 64)
	require.NoError(t, err)
	after, err := strconv.ParseFloat(rows[at+1][1], 64)
	require.NoError(t, err)
	g := before + (after-before)*now.Sub(hour).Hours()
	return strings.TrimRight(fmt.Sprintf("%.4f", g), "0")
}
