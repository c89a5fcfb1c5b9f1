// The sliders answer as they are moved: the page asks for itself with their
// places and takes over what differs. Without this the button does the same.
import { refresh } from "./live.js";

const form = document.getElementById("choice");
const least = 150; // ms between two questions, so that the daemon's limit is not met
let last = 0;
let timer = 0;

function ask() {
  clearTimeout(timer);
  timer = setTimeout(() => {
    last = Date.now();
    const url = new URL(location.href);
    url.search = new URLSearchParams(new FormData(form)).toString();
    history.replaceState(null, "", url);
    refresh(true);
  }, Math.max(0, last + least - Date.now()));
}

if (form) {
  document.getElementById("work").hidden = true;
  form.addEventListener("input", (e) => {
    if (e.target.id === "at") document.getElementById("hold").checked = true;
    ask();
  });
  form.addEventListener("submit", (e) => { e.preventDefault(); ask(); });
}
