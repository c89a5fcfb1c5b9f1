// The graph of a batch: asks for binned data and draws it with uPlot. A part
// that is looked at closely is asked for again, with bins of its own.
import "./live.js";
import { Graph } from "./graph.js";

const box = document.getElementById("graph");
const ranges = document.getElementById("ranges");
const readout = document.getElementById("readout");
let graph = null;
let asking = false;
let again = false;
let later = 0;

// News that come faster than answers must not keep the graph from ever being
// drawn: while an answer is on its way, what is new is asked for after it.
async function load() {
  if (asking) { again = true; return; }
  const url = new URL(box.dataset.series, location.href);
  url.searchParams.set("buckets", String(Math.min(600, Math.max(100, Math.round(box.clientWidth || 360)))));
  const part = graph?.zoomed ?? false;
  if (part) {
    const [min, max] = graph.window;
    const more = (max - min) / 2; // so that moving along shows something at once
    url.searchParams.set("from", String(Math.floor(Math.max(graph.whole.min, min - more))));
    url.searchParams.set("to", String(Math.ceil(Math.min(graph.whole.max, max + more))));
  }
  asking = true;
  try {
    const answer = await fetch(url, { cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    show(await answer.json(), part);
  } catch {
    if (!graph) { readout.hidden = false; readout.textContent = "The graph cannot be loaded just now."; }
  } finally {
    asking = false;
    if (again) { again = false; load(); }
  }
}

function show(data, part) {
  box.hidden = ranges.hidden = readout.hidden = false;
  if (!graph) {
    graph = new Graph(box, readout);
    graph.addEventListener("window", (e) => {
      press(e.detail.hours);
      clearTimeout(later);
      later = setTimeout(load, 250);
    });
  }
  graph.setData(data, part);
  box.dataset.ready = "yes";
  box.dataset.window = graph.window.join();
  queueMicrotask(() => performance.mark("drawn")); // uPlot draws in a microtask of its own, queued before
}

function press(hours) {
  for (const b of ranges.querySelectorAll("button")) b.setAttribute("aria-pressed", String(hours !== null && Number(b.dataset.hours) === hours));
}

ranges.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (button) graph?.setRange(Number(button.dataset.hours));
});
document.addEventListener("fresh", load);
load();
