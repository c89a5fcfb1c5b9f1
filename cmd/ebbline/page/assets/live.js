// Keeps the page fresh: the server says "changed", the page asks for itself
// again and takes over what differs. Closed while nobody looks.

import { lifted, name, steadily } from "./steady.js";

const calm = 1500; // ms between two refreshes
let source = null;
let timer = 0;
let busy = false;
let again = false;
let hurry = false;
let last = 0;
let asOf = new Date();

/** refresh fetches this page and replaces the parts marked data-live; again at
 * once, if somebody waits for it, when it was asked for meanwhile. */
export async function refresh(waiting = false) {
  if (busy) { again = true; hurry ||= waiting; return; }
  busy = true;
  last = Date.now();
  try {
    const url = new URL(location.href);
    url.searchParams.delete("done");
    const answer = await fetch(url, { headers: { Accept: "text/html" }, cache: "no-store" });
    if (answer.redirected && new URL(answer.url).pathname === "/login") { location.assign(answer.url); return; }
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!waiting) await lifted(() => hurry);
    if (hurry && !waiting) return; // what somebody waits for is newer
    steadily(() => {
      for (const old of document.querySelectorAll("[data-live]")) {
        const now = fresh.getElementById(old.id);
        if (now && now.innerHTML !== old.innerHTML) replace(old, now);
      }
    });
    online(true);
    document.dispatchEvent(new CustomEvent("fresh"));
  } catch {
    online(false);
  } finally {
    busy = false;
    if (again) {
      again = false;
      if (hurry) { hurry = false; refresh(true); } else soon();
    }
  }
}

/** replace swaps a part and keeps the keyboard where it was. */
function replace(old, now) {
  const held = old.contains(document.activeElement) ? document.activeElement : null;
  const was = held && name(held);
  const place = held ? [...old.querySelectorAll(held.localName)].indexOf(held) : -1;
  const open = [...old.querySelectorAll("details")].map((d) => d.open);
  if (old.className !== now.className) old.className = now.className;
  // A region that is read aloud stays the same element, so that only a new
  // text is spoken, and only once.
  const spoken = old.querySelector("[aria-live]");
  const words = now.querySelector("[aria-live]");
  if (spoken && words && !held) {
    if (spoken.innerHTML !== words.innerHTML) spoken.replaceChildren(...words.childNodes);
    words.replaceWith(spoken);
  }
  old.replaceChildren(...now.childNodes);
  old.querySelectorAll("details").forEach((d, i) => { d.open = open[i] ?? d.open; });
  if (!held || held === old) return;
  // Never a neighbour: Enter would answer an alert that nobody has read.
  const same = [...old.querySelectorAll(held.localName)];
  const next = held.matches("summary,pre") ? same[place] : same.find((e) => name(e) === was);
  if (!next) old.tabIndex = -1;
  (next ?? old).focus({ preventScroll: true });
}

function soon() {
  clearTimeout(timer);
  timer = setTimeout(() => refresh(), Math.max(0, last + calm - Date.now()));
}

function online(yes) {
  const sign = document.getElementById("offline");
  if (yes) { asOf = new Date(); steadily(() => { sign.hidden = true; }); return; }
  const at = asOf.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
  sign.textContent = `No connection to ebbline since ${at}. What stands here may be old. Trying again.`;
  steadily(() => { sign.hidden = false; });
}

// Where a browser can, all its tabs share one stream (stream.js).
const shared = "SharedWorker" in globalThis ? new SharedWorker(new URL("./stream.js", import.meta.url), { type: "module", name: "ebbline" }).port : null;
shared?.addEventListener("message", ({ data }) => (data === "error" ? online(false) : soon()));
shared?.start();

function listen() {
  if (document.hidden) return;
  if (shared) return shared.postMessage("awake");
  if (source) return;
  source = new EventSource("/events");
  source.addEventListener("hello", soon); // also after a break: catch up
  source.addEventListener("changed", soon);
  source.addEventListener("error", () => {
    online(false);
    if (source && source.readyState === EventSource.CLOSED) { stop(); setTimeout(listen, 5000); }
  });
}

function stop() {
  shared?.postMessage("asleep");
  source?.close();
  source = null;
}

document.addEventListener("visibilitychange", () => (document.hidden ? stop() : listen()));
addEventListener("pagehide", stop);
addEventListener("pageshow", listen);
setInterval(() => { if (!document.hidden) soon(); }, 60000); // ages grow without news
listen();
