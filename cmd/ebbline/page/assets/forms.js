// Shows beside a form what would come of it, as it is typed: the form is sent
// with the value that its button "work-out" would send, and the part #preview is
// taken from the answer. Without scripts that button does the same.
import { lifted, steadily } from "./steady.js";

const form = document.querySelector("form[data-preview]");
const button = document.getElementById("work-out");
let timer = 0;
let asked = 0;

async function show() {
  const number = ++asked;
  const data = new URLSearchParams(new FormData(form));
  data.set("do", form.dataset.preview);
  try {
    const answer = await fetch(location.pathname, { method: "POST", body: data, headers: { Accept: "text/html" }, cache: "no-store" });
    if (number !== asked) return; // typed on meanwhile
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("preview");
    const old = document.getElementById("preview");
    if (fresh && fresh.innerHTML !== old.innerHTML) {
      await lifted();
      steadily(() => old.replaceChildren(...fresh.childNodes));
    }
    if (fresh) button.remove(); // so that Enter means the button that is left
  } catch {
    if (!button.isConnected) document.getElementById("preview").after(button); // offline: to try again
  }
}

function soon(wait) {
  clearTimeout(timer);
  timer = setTimeout(show, wait);
}

if (form && button) {
  form.addEventListener("input", () => soon(350));
  button.remove();
  if ("livePreview" in form.dataset) {
    let source = null;
    const listen = () => {
      if (source || document.hidden) return;
      source = new EventSource("/events");
      source.addEventListener("changed", () => soon(700));
    };
    const stop = () => { source?.close(); source = null; };
    document.addEventListener("visibilitychange", () => (document.hidden ? stop() : listen()));
    addEventListener("pagehide", stop);
    addEventListener("pageshow", listen);
    listen();
  }
}
