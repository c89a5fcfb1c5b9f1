// The graph of a batch: asks for binned data and draws it with uPlot.
import "./live.js";
import { Graph } from "./graph.js";

const box = document.getElementById("graph");
const ranges = document.getElementById("ranges");
const readout = document.getElementById("readout");
let hours = 0; // 0: all of it
let graph = null;
let asking = null;

async function load() {
  asking?.abort();
  asking = new AbortController();
  const url = new URL(box.dataset.series, location.href);
  url.searchParams.set("buckets", String(Math.min(600, Math.max(100, Math.round(box.clientWidth || 360)))));
  try {
    const answer = await fetch(url, { signal: asking.signal, cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    const data = await answer.json();
    show(data);
  } catch (e) {
    if (e.name !== "AbortError" && !graph) readout.textContent = "The graph cannot be loaded just now.";
  }
}

function show(data) {
  box.hidden = ranges.hidden = readout.hidden = false;
  graph ??= new Graph(box, readout);
  graph.setData(data, hours);
  box.dataset.ready = "yes";
}

ranges.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (!button) return;
  hours = Number(button.dataset.hours);
  for (const b of ranges.querySelectorAll("button")) b.setAttribute("aria-pressed", String(b === button));
  graph?.setRange(hours);
});
document.addEventListener("fresh", load);
load();
