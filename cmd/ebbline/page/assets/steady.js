// A finger hits what it means: nothing is replaced under one that is down, and what
// has just come or moved is not pressed by a tap that was on its way.

const reaction = 400; // ms from seeing a thing move to not pressing it
const lift = 100; // ms a browser may take from a lifted finger to its click
const longest = 2000; // ms that a finger may hold news back
const pressable = "main :is(a,button,input,label,summary)";

let down = false;
let began = null; // when the press began that a click may follow
let lifting = -Infinity;
const shifted = new WeakMap(); // when something to press came, or moved

addEventListener("pointerdown", () => { down = true; began = performance.now(); }, true);
// A menu that opens under the finger may swallow its lifting.
for (const end of ["pointerup", "pointercancel", "contextmenu"]) {
  addEventListener(end, () => { down = false; lifting = performance.now(); }, true);
}

addEventListener("click", (e) => {
  const at = began ?? performance.now();
  began = null;
  const when = shifted.get(e.target.closest(pressable));
  // detail is 0 for the keyboard, which presses what has the focus.
  if (e.detail === 0 || when === undefined || at - when > reaction) return;
  e.preventDefault();
  e.stopImmediatePropagation();
  tell("The page has just changed. Press again.");
}, true);

/** lifted resolves when no finger is down, one has been for too long, or hurry() says
 * that somebody waits. */
export async function lifted(hurry = () => false) {
  const until = performance.now() + longest;
  while ((down || performance.now() - lifting < lift) && performance.now() < until && !hurry()) {
    await new Promise((done) => { setTimeout(done, 20); });
  }
}

/** steadily changes the page and notices what there is to press that came or moved. */
export function steadily(change) {
  const before = new Map();
  for (const e of document.querySelectorAll(pressable)) before.set(name(e), (before.get(name(e)) ?? []).concat(spot(e)));
  change();
  for (const e of document.querySelectorAll(pressable)) {
    if (!before.get(name(e))?.includes(spot(e))) shifted.set(e, performance.now());
  }
}

/** name tells by what it does, not by its place, what there is to press. */
export function name(e) {
  if (e.localName === "a") return `a ${e.getAttribute("href")}`;
  return [e.localName, e.name, e.value, e.form?.elements.alert?.value, e.textContent].join(" ");
}

function spot(e) {
  const r = e.getBoundingClientRect();
  return `${Math.round(r.x)} ${Math.round(r.y)}`;
}

const said = document.createElement("p");
said.className = "moved";
said.setAttribute("role", "status");
document.body.append(said);
let silence = 0;

function tell(text) {
  said.textContent = text;
  clearTimeout(silence);
  silence = setTimeout(() => { said.textContent = ""; }, 4000);
}
