// Two plots on one time axis: gravity above, temperature below. What uPlot
// does not draw by itself (target, marks, crash by) is drawn in its hooks.
import { colours, crosses, hatch, heads, label, mark, name, rule } from "./ink.js";
import { inScale, scalesOf } from "./scale.js";
import { fingers, keys, within } from "./zoom.js";

const uPlot = globalThis.uPlot;
const axisWidth = 56; // px, the same for both plots so that times line up

export class Graph extends EventTarget {
  #box; #readout; #data = null; #top = null; #low = null; #ink = colours(); #scales;
  #whole = { min: 0, max: 1 }; // all there is
  #shown = null; // [min, max]; null: all
  #hours = 0; // of a range that moves along with now

  constructor(box, readout) {
    super();
    this.#box = box;
    this.#readout = readout;
    this.#scales = scalesOf(box);
    box.tabIndex = 0;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", `${box.dataset.label} Arrow keys read values, plus and minus zoom, page keys move along, Escape shows all.`);
    const host = {
      window: () => this.window, whole: () => this.#whole, show: (min, max) => this.show(min, max), all: () => this.setRange(0, true),
      area: () => this.#top.over.getBoundingClientRect(), point: (p) => this.#point(p), spoken: () => this.#readout.setAttribute("aria-live", "polite"),
      place: () => { const u = this.#top; return u.cursor.left < 0 ? 0.5 : u.cursor.left / u.over.clientWidth; },
    };
    keys(box, host);
    fingers(box, host);
    let width = 0;
    new ResizeObserver(() => {
      const w = box.clientWidth;
      if (w && w !== width) { width = w; this.#resize(w); }
    }).observe(box);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.#ink = colours(); if (this.#data) this.#build(); });
  }

  /** window is what is shown, in Unix seconds; zoomed whether it is a part. */
  get window() { return this.#shown ?? [this.#whole.min, this.#whole.max]; }
  get zoomed() { return this.#shown !== null; }
  get whole() { return this.#whole; }

  /** setData takes the server's answer; all of it, or for a part of the time. */
  setData(data, part) {
    const shape = (d) => d && [d.gravity.length, d.temperature.length, d.stale].join();
    const same = shape(this.#data) === shape(data);
    if (!part) this.#whole = { min: data.from, max: data.to };
    else if (this.#data) this.#whole.max += Math.max(0, data.now - this.#data.now);
    this.#data = inScale(data, this.#scales);
    if (this.#hours) this.#shown = this.#last(this.#hours);
    if (!this.#top || !same) return this.#build();
    this.#top.setData(this.#gravity(), false);
    this.#low?.setData(this.#warmth(), false);
    this.#apply();
  }

  /** setRange shows the last hours and half as much ahead, or all. */
  setRange(hours, tell = false) {
    this.#hours = hours;
    this.#shown = hours && this.#data ? this.#last(hours) : null;
    this.#apply();
    this.dispatchEvent(new CustomEvent("window", { detail: { hours, chosen: tell } }));
  }

  /** show shows a part that somebody chose by hand. */
  show(min, max) {
    this.#hours = 0;
    this.#shown = within(min, max, this.#whole);
    if (this.#shown[1] - this.#shown[0] > 0.98 * (this.#whole.max - this.#whole.min)) this.#shown = null;
    this.#apply();
    this.dispatchEvent(new CustomEvent("window", { detail: { hours: this.#shown ? null : 0 } }));
  }

  #last(hours) {
    const now = Math.min(this.#data.now, this.#whole.max); // of a batch that is over: its end
    return within(Math.max(this.#whole.min, now - hours * 3600), Math.min(this.#whole.max, now + hours * 1800), this.#whole);
  }

  #apply() {
    const [min, max] = this.window;
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
    const { gravity, warmth } = this.#scales;
    this.#top = new uPlot(this.#options(w, this.#height(w), true, this.#gravitySeries(), this.#gravityScale(), gravity.incrs, gravity.tick), this.#gravity(), this.#box);
    if (d.temperature.length) {
      const dash = [[], [6, 3], [2, 3], [8, 3, 2, 3]];
      const series = d.temperature.map((s, i) => ({ label: s.sensor, stroke: this.#ink.seen, width: 1.5, dash: dash[i % dash.length], points: { show: (_, __, a, z) => z - a < 2, size: 4, width: 0, fill: this.#ink.seen } })); // a lone one has no line
      this.#low = new uPlot(this.#options(w, 120, false, series, { range: (_, lo, hi) => (lo === null ? [warmth.of(0), warmth.of(20)] : [Math.floor(lo - 0.5), Math.ceil(hi + 0.5)]) }, warmth.incrs, (v) => v.toFixed(0)), this.#warmth(), this.#box);
    }
    this.#apply();
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

  #options(width, height, gravity, series, y, incrs, text) {
    const ink = this.#ink;
    const { gravity: g, warmth } = this.#scales;
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
        { ...axis, size: 46, space: 64, values: [[86400 * 28, "{MMM}", "\n{YYYY}", null, null, null, null, null, 1], [86400 * 4, "{D} {MMM}", null, null, null, null, null, null, 1], [86400, day, null, null, null, null, null, null, 1], [3600, hour, "\n" + day, null, "\n" + day, null, null, null, 1], [60, hour, "\n" + day, null, "\n" + day, null, null, null, 1]] },
        { ...axis, size: axisWidth, incrs, space: gravity ? 34 : 22, values: (_, ticks, __, ___, step) => ticks.map((v) => text(v, step)) },
      ],
      padding: [22, 18, 0, 0],
      cursor: { sync: { key: "batch" }, drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
      hooks: {
        drawClear: gravity ? [(u) => this.#under(u)] : [],
        draw: [(u) => this.#over(u, gravity), (u) => name(u, gravity ? `gravity, ${g.unit}` : `temperature, ${warmth.unit}`, ink)],
        setCursor: [(u) => this.#read(u)],
        setSelect: [(u) => this.#select(u)],
        init: [(u) => u.over.addEventListener("dblclick", () => this.setRange(0, true))],
      },
    };
  }

  // A part dragged over with the mouse is shown.
  #select(u) {
    const { left, width } = u.select;
    if (width < 6 || u !== this.#top && u !== this.#low) return;
    const [min, max] = [u.posToVal(left, "x"), u.posToVal(left + width, "x")];
    for (const p of [this.#top, this.#low]) p?.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.show(min, max);
  }

  #under(u) {
    const t = this.#data.target_gravity;
    if (t !== null) hatch(u, u.valToPos(t, "y", true), this.#ink);
  }

  #over(u, gravity) {
    const d = this.#data;
    const ink = this.#ink;
    const said = [];
    const by = d.marks.some((m) => m.kind === "crash-started") ? null : d.crash_by;
    const late = by !== null && by < d.now; // each word on the side away from the other's line
    rule(u, d.now, ink.faint, [], gravity ? "now" : "", said, !late);
    if (by !== null) rule(u, by, ink.ink, [5, 4], gravity ? "crash by" : "", said, late);
    for (const m of d.marks) if (m.kind !== "note") mark(u, m, gravity, ink, said);
    heads(u, said, ink);
    if (!gravity) crosses(u, d.hot.flatMap((s) => s.bins.map((b) => b[0])), ink);
    if (gravity && d.target_gravity !== null) label(u, d.target_gravity, `target ${this.#scales.gravity.text(d.target_gravity)}`, `ceiling ${d.ceiling}`, ink);
  }

  // Both plots show the cursor at a share of the width.
  #point(p) {
    for (const u of [this.#low, this.#top]) u?.setCursor({ left: Math.min(u.over.clientWidth - 1, p * u.over.clientWidth), top: 10 }, u === this.#top);
  }

  #read(u) {
    const i = u.cursor.idx;
    if (i === null || i === undefined || u.cursor.left < 0) return;
    const d = this.#data;
    const { gravity: g, warmth } = this.#scales;
    const t = u.posToVal(u.cursor.left, "x");
    const at = new Date((t + d.utc_offset) * 1000).toLocaleString("en-GB", { timeZone: "UTC", weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    const near = (rows) => rows.reduce((best, r) => (r[1] !== null && r[1] !== undefined && Math.abs(r[0] - t) < Math.abs((best?.[0] ?? Infinity) - t) ? r : best), null);
    const far = Math.max(7200, (d.to - d.from) / 100);
    const parts = [at];
    const e = near(d.estimate);
    const f = near(d.fan);
    if (t <= d.now && e && Math.abs(e[0] - t) < far) parts.push(`${g.text(e[1])} ± ${g.text(e[2])} ${g.unit} estimated`);
    if (t > d.now && f) parts.push(`${g.text(f[2])} ${g.unit} projected (${g.text(f[1])} to ${g.text(f[3])})`);
    for (const s of d.temperature) {
      const w = near(s.bins.map((b) => [b[0], b[2]]));
      if (w && t <= d.now && Math.abs(w[0] - t) < far) parts.push(`${w[1].toFixed(1)} ${warmth.unit}`);
    }
    for (const s of d.hot) {
      const w = near(s.bins.map((b) => [b[0], b[2]]));
      if (w && t <= d.now && Math.abs(w[0] - t) < far) parts.push(`${w[1].toFixed(1)} ${warmth.unit} (${s.sensor}) not used`);
    }
    const words = parts.join(" · ");
    if (this.#readout.textContent !== words) this.#readout.textContent = words;
  }
}
