// Fingers and keys on a graph. It knows windows of time, no drawing:
// host.window() is what is shown, host.whole() all there is, host.show(min, max)
// changes it, host.point(x) reads at a place, host.all() goes back.

const least = 1800; // s: no window is narrower

/** within keeps a window inside what there is, as wide as it may be. */
export function within(min, max, whole) {
  const wide = Math.min(Math.max(max - min, least), whole.max - whole.min);
  const from = Math.min(Math.max((min + max - wide) / 2, whole.min), whole.max - wide);
  return [from, from + wide];
}

/** fingers: two pinch, one moves a part along or reads all of it. A finger that
 * goes up or down scrolls the page, as everywhere. */
export function fingers(box, host) {
  const down = new Map(); // pointer → x
  const place = (x) => { const r = host.area(); return Math.min(1, Math.max(0, (x - r.left) / r.width)); };
  const two = () => { const [a, b] = [...down.values()]; return { mid: (a + b) / 2, gap: Math.max(20, Math.abs(a - b)) }; };
  const end = (e) => { down.delete(e.pointerId); };
  box.addEventListener("pointerdown", (e) => {
    if (e.pointerType === "mouse") return; // dragging with a mouse selects
    down.set(e.pointerId, e.clientX);
    if (down.size === 1) host.point(place(e.clientX));
  });
  box.addEventListener("pointermove", (e) => {
    if (!down.has(e.pointerId)) return;
    const [min, max] = host.window();
    const wide = max - min;
    if (down.size === 2) {
      const before = two();
      down.set(e.pointerId, e.clientX);
      const after = two();
      const now = wide * before.gap / after.gap;
      const held = min + place(before.mid) * wide; // stays under the fingers
      host.show(held - place(after.mid) * now, held + (1 - place(after.mid)) * now);
      return;
    }
    const moved = e.clientX - down.get(e.pointerId);
    down.set(e.pointerId, e.clientX);
    const whole = host.whole();
    if (wide > 0.98 * (whole.max - whole.min)) return host.point(place(e.clientX));
    const shift = -moved / host.area().width * wide;
    host.show(min + shift, max + shift);
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) box.addEventListener(name, end);
}

/** keys: arrows read, plus and minus zoom, page keys move, Escape shows all. */
export function keys(box, host) {
  box.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const [min, max] = host.window();
    const wide = max - min;
    const at = host.place();
    const held = min + at * wide;
    const zoom = (f) => host.show(held - at * wide * f, held + (1 - at) * wide * f);
    const acts = {
      ArrowLeft: () => host.point(Math.max(0, at - (e.shiftKey ? 0.1 : 0.02))), ArrowRight: () => host.point(Math.min(1, at + (e.shiftKey ? 0.1 : 0.02))),
      Home: () => host.point(0), End: () => host.point(1),
      "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
      PageUp: () => host.show(min - wide / 2, max - wide / 2), PageDown: () => host.show(min + wide / 2, max + wide / 2),
      Escape: () => host.all(), 0: () => host.all(),
    };
    if (!acts[e.key]) return;
    e.preventDefault();
    acts[e.key]();
    host.spoken();
  });
}
