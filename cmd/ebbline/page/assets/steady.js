// A finger hits what it means: nothing is replaced under one that is down, and
// what has just moved is not pressed by a tap that was on its way.

const reaction = 400; // ms from seeing a page move to not pressing it
const lift = 100; // ms a browser may take from a lifted finger to its click
const longest = 2000; // ms that a finger may hold news back

let down = false;
let touched = -Infinity;
let moved = -Infinity;

addEventListener("pointerdown", () => { down = true; }, true);
for (const end of ["pointerup", "pointercancel"]) {
  addEventListener(end, () => { down = false; touched = performance.now(); }, true);
}

addEventListener("click", (e) => {
  // detail is 0 for the keyboard, which presses what has the focus.
  if (e.detail === 0 || performance.now() - moved > reaction || !e.target.closest("main :is(a,button,input,label,summary)")) return;
  e.preventDefault();
  e.stopImmediatePropagation();
}, true);

/** lifted resolves when no finger is down, or one has been for too long. */
export async function lifted() {
  const until = performance.now() + longest;
  while ((down || performance.now() - touched < lift) && performance.now() < until) await new Promise((done) => { setTimeout(done, 20); });
}

/** steadily changes the page and notices whether anything to press was moved by it. */
export function steadily(change) {
  const before = spots();
  change();
  if (spots() !== before) moved = performance.now();
}

/** spots tells what can be pressed, and where. */
function spots() {
  return [...document.querySelectorAll("main :is(a,button,input,summary)")].map((e) => {
    const r = e.getBoundingClientRect();
    return `${e.textContent} ${Math.round(r.x)} ${Math.round(r.y)}`;
  }).join("\n");
}
