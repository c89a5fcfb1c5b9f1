// What is drawn on top of uPlot's canvas: colours from the style sheet, lines
// with labels, marks that differ in shape and not only in colour.

/** colours reads the theme from the style sheet. */
export function colours() {
  const css = getComputedStyle(document.documentElement);
  const v = (name) => css.getPropertyValue(name).trim();
  return {
    ink: v("--ink"), faint: v("--faint"), grid: v("--rule"), card: v("--ground"), seen: v("--seen"), ahead: v("--ahead"),
    alert: v("--ahead-ink"), band: v("--band"), fan: v("--fan"), old: v("--edge"), oldFan: "rgb(128 128 128 / .2)",
    dot: `color-mix(in srgb, ${v("--seen")} 38%, ${v("--ground")})`,
    font: "12px system-ui, sans-serif",
  };
}

function inside(u, draw) {
  const c = u.ctx;
  c.save();
  c.beginPath();
  c.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
  c.clip();
  draw(c, devicePixelRatio || 1);
  c.restore();
}

/** hatch marks the gravities below the target, where the ceiling is passed. */
export function hatch(u, y, ink) {
  inside(u, (c, px) => {
    const { left, top, width, height } = u.bbox;
    c.beginPath();
    c.rect(left, y, width, top + height - y);
    c.clip();
    c.strokeStyle = ink.grid;
    c.lineWidth = px;
    c.beginPath();
    for (let x = left - height; x < left + width; x += 9 * px) { c.moveTo(x, top + height); c.lineTo(x + height, top); }
    c.stroke();
  });
}

const font = (px) => `600 ${12 * px}px system-ui, sans-serif`;

function written(c, px, text, x, y, align, ink) {
  c.font = font(px);
  c.textAlign = align;
  c.lineJoin = "round";
  c.lineWidth = 4 * px;
  c.strokeStyle = ink.card;
  c.strokeText(text, x, y);
  c.fillStyle = ink.ink;
  c.fillText(text, x, y);
}

/** label draws the target's line with its name left and the ceiling right. */
export function label(u, value, left, right, ink) {
  inside(u, (c, px) => {
    const y = Math.round(u.valToPos(value, "y", true));
    c.strokeStyle = ink.ink;
    c.lineWidth = 2 * px;
    c.beginPath();
    c.moveTo(u.bbox.left, y);
    c.lineTo(u.bbox.left + u.bbox.width, y);
    c.stroke();
    c.textBaseline = "top";
    written(c, px, left, u.bbox.left + 4 * px, y + 4 * px, "left", ink);
    written(c, px, right, u.bbox.left + u.bbox.width - 4 * px, y + 4 * px, "right", ink);
  });
}

/** rule draws an upright line at a time and adds its word to those that heads
 * writes; before: on the line's left. */
export function rule(u, t, colour, dash, word, said, before = false) {
  inside(u, (c, px) => {
    const x = Math.round(u.valToPos(t, "x", true));
    const { left, top, width, height } = u.bbox;
    if (x < left || x > left + width) return;
    c.strokeStyle = colour;
    c.lineWidth = (dash.length ? 2 : 1) * px;
    c.setLineDash(dash.map((n) => n * px));
    c.beginPath();
    c.moveTo(x, top);
    c.lineTo(x, top + height);
    c.stroke();
    if (word) said.push({ x, word, before });
  });
}

/** heads writes the words of upright lines at the head of the plot, beside their
 * line where there is room, each in the highest row where none stands yet. */
export function heads(u, said, ink) {
  inside(u, (c, px) => {
    const { left, top, width } = u.bbox;
    const taken = [];
    c.textBaseline = "top";
    c.font = font(px);
    for (const { x, word, before } of said) {
      const wide = c.measureText(word).width + 8 * px;
      const right = x - left > wide && (before || left + width - x < wide);
      const [from, to] = right ? [x - wide, x] : [x, x + wide];
      let n = 0;
      while (taken.some((o) => o.n === n && o.from < to && o.to > from)) n++;
      taken.push({ n, from, to });
      written(c, px, word, x + (right ? -4 : 4) * px, top + (10 + 16 * n) * px, right ? "right" : "left", ink);
    }
  });
}

const words = { pitched: "pitch", "crash-started": "crash started", packaged: "packaged", sensors: "sensors" };

/** mark draws a sample as a diamond at its gravity, an alert as a triangle at
 * the upper edge, another event as a dotted line. */
export function mark(u, m, named, ink, said) {
  if (m.kind === "alert") {
    if (named) inside(u, (c, px) => {
      const x = u.valToPos(m.time, "x", true);
      const y = u.bbox.top + 1 * px;
      c.beginPath();
      c.moveTo(x - 5 * px, y); c.lineTo(x + 5 * px, y); c.lineTo(x, y + 8 * px); c.closePath();
      c.fillStyle = ink.alert;
      c.fill();
    });
    return;
  }
  if (m.kind === "sample") {
    if (!named) return;
    inside(u, (c, px) => {
      const x = u.valToPos(m.time, "x", true);
      if (m.value === null) { // no gravity: nothing to place it by
        c.textBaseline = "bottom";
        written(c, px, "pH", x, u.bbox.top + u.bbox.height - 2 * px, "center", ink);
        return;
      }
      const y = u.valToPos(m.value, "y", true);
      const r = 5.5 * px;
      c.beginPath();
      c.moveTo(x, y - r); c.lineTo(x + r, y); c.lineTo(x, y + r); c.lineTo(x - r, y); c.closePath();
      c.fillStyle = ink.ink;
      c.strokeStyle = ink.card;
      c.lineWidth = 1.5 * px;
      c.fill();
      c.stroke();
    });
    return;
  }
  if (m.kind !== "pitched") rule(u, m.time, ink.ink, [2, 4], named ? words[m.kind] ?? "" : "", said);
}

/** crosses marks at the upper edge when values were shown that are not used. */
export function crosses(u, times, ink) {
  inside(u, (c, px) => {
    const y = u.bbox.top + 8 * px;
    const r = 3.5 * px;
    c.strokeStyle = ink.alert;
    c.lineWidth = 2 * px;
    c.beginPath();
    for (const t of times) {
      const x = u.valToPos(t, "x", true);
      c.moveTo(x - r, y - r); c.lineTo(x + r, y + r);
      c.moveTo(x - r, y + r); c.lineTo(x + r, y - r);
    }
    c.stroke();
  });
}

/** name says above a plot what it shows and in which unit. */
export function name(u, text, ink) {
  const px = devicePixelRatio || 1;
  const c = u.ctx;
  c.save();
  c.font = `${12 * px}px system-ui, sans-serif`;
  c.textAlign = "left";
  c.textBaseline = "bottom";
  c.fillStyle = ink.faint;
  c.fillText(text, u.bbox.left, u.bbox.top - 5 * px);
  c.restore();
}
