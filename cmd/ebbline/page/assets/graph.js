// Two plots on one time axis: gravity above, temperature below. What uPlot
// does not draw by itself (target, marks, crash by) is drawn in its hooks.
import { colours, hatch, label, mark, name, rule } from "./ink.js";

const uPlot = globalThis.uPlot;
const axisWidth = 56; // px, the same for both plots so that times line up

export class Graph {
  #box; #readout; #data = null; #top = null; #low = null; #hours = 0; #ink = colours();

  constructor(box, readout) {
    this.#box = box;
    this.#readout = readout;
    box.tabIndex = 0;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", `${box.dataset.label} Left and right arrow keys move through time.`);
    box.addEventListener("keydown", (e) => this.#key(e));
    let width = 0;
    new ResizeObserver(() => {
      const w = box.clientWidth;
      if (w && w !== width) { width = w; this.#resize(w); }
    }).observe(box);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.#ink = colours(); this.#build(); });
  }

  setData(data, hours) {
    const shape = (d) => d && [d.gravity.length, d.temperature.length, d.stale].join();
    const same = shape(this.#data) === shape(data);
    this.#data = data;
    this.#hours = hours;
    if (!this.#top || !same) return this.#build();
    this.#top.setData(this.#gravity(), false);
    this.#low?.setData(this.#warmth(), false);
    this.setRange(hours);
  }

  /** setRange shows the last hours and as much ahead, or all. */
  setRange(hours) {
    this.#hours = hours;
    const d = this.#data;
    if (!d) return;
    let [min, max] = [d.from, d.to];
    if (hours) {
      min = Math.max(min, d.now - hours * 3600);
      max = Math.min(max, d.now + hours * 1800);
    }
    for (const p of [this.#top, this.#low]) p?.setScale("x", { min, max });
  }

  #resize(w) {
    this.#top?.setSize({ width: w, height: this.#height(w) });
    this.#low?.setSize({ width: w, height: 120 });
  }

  #height(w) { return Math.round(Math.min(380, Math.max(260, w * 0.62))); }

  #gravity() {
    const d = this.#data;
    const rows = d.estimate;
    // Readings come first, so that the estimate is drawn over them.
    const seen = d.gravity.map((s) => [s.bins.map((b) => b[0]), s.bins.map((b) => b[1] ?? null), s.bins.map((b) => b[3] ?? null)]);
    return uPlot.join([
      ...seen,
      [rows.map((r) => r[0]), rows.map((r) => r[1]), rows.map((r) => (r[1] === null ? null : r[1] + r[2])), rows.map((r) => (r[1] === null ? null : r[1] - r[2]))],
      [d.fan.map((r) => r[0]), d.fan.map((r) => r[2]), d.fan.map((r) => r[3]), d.fan.map((r) => r[1])],
    ]);
  }

  #warmth() {
    return uPlot.join(this.#data.temperature.map((s) => [s.bins.map((b) => b[0]), s.bins.map((b) => b[2] ?? null)]));
  }

  #build() {
    this.#top?.destroy();
    this.#low?.destroy();
    this.#low = null;
    const w = this.#box.clientWidth;
    const d = this.#data;
    this.#top = new uPlot(this.#options(w, this.#height(w), "SG", this.#gravitySeries(), this.#gravityScale(), [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02], (v, step) => v.toFixed(step < 0.001 ? 4 : 3)), this.#gravity(), this.#box);
    if (d.temperature.length) {
      const dash = [[], [6, 3], [2, 3], [8, 3, 2, 3]];
      const series = d.temperature.map((s, i) => ({ label: s.sensor, stroke: this.#ink.seen, width: 1.5, dash: dash[i % dash.length], points: { show: false } }));
      this.#low = new uPlot(this.#options(w, 120, "°C", series, { range: (_, lo, hi) => (lo === null ? [0, 20] : [Math.floor(lo - 0.5), Math.ceil(hi + 0.5)]) }, [1, 2, 5, 10, 20], (v) => v.toFixed(0)), this.#warmth(), this.#box);
    }
    this.setRange(this.#hours);
  }

  #gravitySeries() {
    const ink = this.#ink;
    const bare = { stroke: "transparent", width: 0, points: { show: false } };
    const ahead = this.#data.stale ? ink.old : ink.ahead;
    const out = [];
    for (const s of this.#data.gravity) {
      const dots = { label: s.sensor, stroke: "transparent", width: 0, points: { show: true, size: 3.5, width: 0, fill: ink.dot, stroke: ink.dot }, paths: () => null };
      out.push(dots, { ...dots });
    }
    out.push(
      { label: "estimate", stroke: ink.seen, width: 2.5, points: { show: false } }, { ...bare }, { ...bare },
      { label: "projection", stroke: ahead, width: 2, dash: [7, 5], points: { show: false } }, { ...bare }, { ...bare },
    );
    return out;
  }

  // The server says what must be in the picture: always the target.
  #gravityScale() { return { range: () => [this.#data.low, this.#data.high] }; }

  #options(width, height, unit, series, y, incrs, text) {
    const ink = this.#ink;
    const gravity = unit === "SG";
    const first = this.#data.gravity.length * 2; // series before the estimate
    const hour = "{HH}:{mm}";
    const day = "{WWW} {D}";
    const axis = { stroke: ink.faint, grid: { stroke: ink.grid, width: 1 }, ticks: { stroke: ink.grid, width: 1 }, font: ink.font };
    return {
      width, height, legend: { show: false },
      tzDate: (t) => { const local = new Date(t * 1000); return new Date((t + this.#data.utc_offset + local.getTimezoneOffset() * 60) * 1000); },
      scales: { x: { time: true }, y },
      series: [{}, ...series],
      bands: gravity ? [{ series: [first + 2, first + 3], fill: ink.band }, { series: [first + 5, first + 6], fill: this.#data.stale ? ink.oldFan : ink.fan }] : [],
      axes: [
        { ...axis, size: 46, space: 64, values: [[86400, day, null, null, null, null, null, null, 1], [3600, hour, "\n" + day, null, "\n" + day, null, null, null, 1], [60, hour, "\n" + day, null, "\n" + day, null, null, null, 1]] },
        { ...axis, size: axisWidth, incrs, space: gravity ? 34 : 22, values: (_, ticks, __, ___, step) => ticks.map((v) => text(v, step)) },
      ],
      padding: [22, 12, 0, 0],
      cursor: { sync: { key: "batch" }, drag: { x: true, y: false }, points: { show: false }, y: false },
      hooks: {
        drawClear: gravity ? [(u) => this.#under(u)] : [],
        draw: [(u) => this.#over(u, gravity), (u) => name(u, gravity ? "gravity, SG" : "temperature, °C", ink)],
        setCursor: [(u) => this.#read(u)],
        init: [(u) => u.over.addEventListener("dblclick", () => this.setRange(this.#hours))],
      },
    };
  }

  #under(u) {
    const t = this.#data.target_gravity;
    if (t !== null) hatch(u, u.valToPos(t, "y", true), this.#ink);
  }

  #over(u, gravity) {
    const d = this.#data;
    const ink = this.#ink;
    rule(u, d.now, ink.faint, [], gravity ? "now" : "", ink);
    if (d.crash_by !== null && !d.marks.some((m) => m.kind === "crash-started")) rule(u, d.crash_by, ink.ink, [5, 4], gravity ? "crash by" : "", ink);
    for (const m of d.marks) if (m.kind !== "note") mark(u, m, gravity, ink);
    if (gravity && d.target_gravity !== null) label(u, d.target_gravity, `target ${d.target_gravity.toFixed(4)}`, `ceiling ${d.ceiling}`, ink);
  }

  #read(u) {
    const i = u.cursor.idx;
    if (i === null || i === undefined || u.cursor.left < 0) return;
    const d = this.#data;
    const t = u.posToVal(u.cursor.left, "x");
    const at = new Date((t + d.utc_offset) * 1000).toLocaleString("en-GB", { timeZone: "UTC", weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    const near = (rows) => rows.reduce((best, r) => (r[1] !== null && r[1] !== undefined && Math.abs(r[0] - t) < Math.abs((best?.[0] ?? Infinity) - t) ? r : best), null);
    const parts = [at];
    const e = near(d.estimate);
    const f = near(d.fan);
    if (t <= d.now && e && Math.abs(e[0] - t) < 7200) parts.push(`${e[1].toFixed(4)} ± ${e[2].toFixed(4)} SG estimated`);
    if (t > d.now && f) parts.push(`${f[2].toFixed(4)} SG projected (${f[1].toFixed(4)} to ${f[3].toFixed(4)})`);
    for (const s of d.temperature) {
      const w = near(s.bins.map((b) => [b[0], b[2]]));
      if (w && t <= d.now && Math.abs(w[0] - t) < 7200) parts.push(`${w[1].toFixed(1)} °C`);
    }
    this.#readout.textContent = parts.join(" · ");
  }

  #key(e) {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (!step || !this.#top) return;
    e.preventDefault();
    const u = this.#top;
    const wide = u.over.clientWidth;
    const left = Math.min(wide - 1, Math.max(0, (u.cursor.left < 0 ? wide / 2 : u.cursor.left) + step * (e.shiftKey ? 30 : 6)));
    u.setCursor({ left, top: 10 });
    this.#readout.setAttribute("aria-live", "polite");
  }
}
