package page

import (
	"fmt"
	"testing"

	cdpinput "github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// hand is a way to use the page: act on what a selector names, or type into it.
type hand struct {
	act   func(sel string)
	write func(sel, text string)
}

// keys is whoever has nothing but a keyboard: Tab until it is there, then Enter,
// or the space bar on what is ticked.
func (b *tab) keys(t *testing.T) hand {
	t.Helper()
	reach := func(sel string) {
		t.Helper()
		for range 150 {
			if eval[bool](t, b, fmt.Sprintf(`document.activeElement.matches(%q)`, sel)) {
				return
			}
			b.do(t, chromedp.KeyEvent("\t"))
		}
		require.Fail(t, "the keyboard does not get there", sel)
	}
	return hand{
		act: func(sel string) {
			t.Helper()
			reach(sel)
			key := "\r"
			if eval[bool](t, b, `document.activeElement.matches("input")`) {
				key = " "
			}
			b.do(t, chromedp.KeyEvent(key))
		},
		write: func(sel, text string) {
			t.Helper()
			reach(sel)
			b.do(t, chromedp.KeyEvent(text))
		},
	}
}

// tapping makes the page tell whether it takes the next tap on what is meant. One that
// misses, since the page moved between aiming and tapping, presses nothing here.
func tapping(sel string) string {
	return fmt.Sprintf(`(() => { globalThis.tap = ""; let hit = false; const meant = %q;
		addEventListener("click", (e) => { hit = e.target.closest(meant) !== null || e.target.closest("label")?.querySelector(meant) != null; if (!hit) { e.preventDefault(); e.stopImmediatePropagation(); } }, {once: true, capture: true});
		addEventListener("click", () => { if (hit) globalThis.tap = "taken"; }, {once: true});
		addEventListener("mouseup", () => setTimeout(() => { globalThis.tap ||= "refused"; }), {once: true, capture: true}); })(); void 0`, sel)
}

// refused tells whether the page did not take the last tap; not so while it gives way
// to another.
func (b *tab) refused() bool {
	no, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`globalThis.tap === "refused"`))
	return err == nil && no
}

// finger is whoever touches: it must hit what it means.
func (b *tab) finger(t *testing.T) hand {
	t.Helper()
	tap := func(sel string) {
		t.Helper()
		eval[chromedp.Void](t, b, tapping(sel))
		at := eval[[]float64](t, b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"});
			const r = e.getBoundingClientRect(), x = r.left + r.width / 2, y = r.top + r.height / 2, hit = document.elementFromPoint(x, y);
			return hit && (e.contains(hit) || hit.contains(e)) ? [x, y] : []; })()`, sel))
		require.Len(t, at, 2, "something lies over %s", sel)
		b.touch(t, cdpinput.DispatchTouchEventTypeTouchStart, [2]float64{at[0], at[1]})
		b.touch(t, cdpinput.DispatchTouchEventTypeTouchEnd)
		b.until(t, `globalThis.tap !== ""`)
	}
	again := func(sel string) {
		t.Helper()
		for tap(sel); b.refused(); tap(sel) {
		}
	}
	return hand{act: again, write: func(sel, text string) {
		t.Helper()
		again(sel)
		b.until(t, fmt.Sprintf(`document.activeElement.matches(%q)`, sel))
		b.do(t, chromedp.KeyEvent(text))
	}}
}

// A batch from pitch to keg with a finger, and with nothing but a keyboard.
func TestAWholeBatchByTouchAndByKeyboard(t *testing.T) {
	t.Parallel()
	browser := chromium(t)
	for name, with := range map[string]func(*tab, *testing.T) hand{"touch": (*tab).finger, "keyboard": (*tab).keys} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := whole(t, nil)
			b := c.open(t, browser)
			b.size(t, 390, "light")
			h := with(b, t)
			goes := func(sel, says string) {
				t.Helper()
				h.act(sel)
				b.says(t, says)
			}
			b.visit(t, "/")
			goes(`a[href="/new"]`, "Original gravity")
			h.write("#name", "Harbour pale 1")
			h.write("#original_gravity", "1,0128")
			goes("button[value=start]", "The batch is started.")

			goes(`.top a[href="/sensors"]`, "Heard, but not in use")
			goes(`a[href^="/sensors/use"]`, "gravity 1.0121 SG")
			goes("button[value=define]", "Defined")
			require.Len(t, c.deeds.known, 5)

			goes(`.top a[href="/"]`, "Lantern pale 12")
			goes(`a[href="/batch/pale-12"]`, "What happened")
			b.until(t, ready)
			goes(`.acts a[href$="/sample"]`, "Enter a sample")
			h.write("#gravity", "1,0099")
			goes(mainButton, "The sample is in the record.")
			b.until(t, ready)
			require.Equal(t, "/batch/pale-12/package", eval[string](t, b, `document.querySelector("#alerts a.button").getAttribute("href")`))
			if name == "touch" { // in one tap, from the alert that asks for it
				goes("#alerts button[value=crash]", "The start of the crash is in the record.")
			} else {
				goes("#alerts button[value=acknowledge]", "this alert will not ring again")
				b.until(t, ready)
				goes(`.acts a[href$="/crash"]`, "Press this when the cooling is switched on")
				goes(mainButton, "The start of the crash is in the record.")
			}
			require.False(t, eval[bool](t, b, `document.body.textContent.includes("What if")`), "there is nothing to choose any more")
			a, err := c.journal.Alert(t.Context(), "pale-12/crash-now/1")
			require.NoError(t, err)
			require.NotNil(t, a.Acknowledged)
			b.until(t, ready)
			goes(`.acts a[href$="/package"]`, "Into")
			h.act("input[value=keg]")
			h.act("input[name=acid]")
			h.act("input[name=warm]")
			goes(mainButton, "The batch is packaged.")
			b.until(t, ready)
			goes(`a[href$="/report"]`, "Final figures")

			entries, err := c.journal.Entries(t.Context(), "pale-12")
			require.NoError(t, err)
			require.Equal(t, journal.Packaged, entries[len(entries)-1].Kind)
			require.Empty(t, b.faults())
		})
	}
}
