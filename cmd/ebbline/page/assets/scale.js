// The scales the brewer reads: what the server sends is SG and °C.

// The cubic of the ASBC, as in projection/gravity/density.go; a test compares.
const plato = (sg) => -616.868 + sg * (1111.14 + sg * (-630.272 + sg * 135.997));

const gravities = {
  sg: { unit: "SG", of: (v) => v, text: (v) => v.toFixed(4), incrs: [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02], tick: (v, step) => v.toFixed(step < 0.001 ? 4 : 3) },
  plato: { unit: "°P", of: plato, text: (v) => v.toFixed(2), incrs: [0.1, 0.2, 0.5, 1, 2, 5], tick: (v, step) => v.toFixed(step < 1 ? 1 : 0) },
};
const temperatures = {
  Cel: { unit: "°C", of: (v) => v, incrs: [1, 2, 5, 10, 20] },
  degF: { unit: "°F", of: (v) => v * 1.8 + 32, incrs: [1, 2, 5, 10, 20, 50] },
};

/** scalesOf gives the scales that the page names on the graph's element. */
export function scalesOf(box) {
  return { gravity: gravities[box.dataset.gravity] ?? gravities.sg, warmth: temperatures[box.dataset.temperature] ?? temperatures.Cel };
}

// What no beer can have is not used, and not in the line: of a bin with both, the
// end that beer can have is.
const beers = (d, v) => v >= d.coldest && v <= d.hottest;
const used = (d) => d.temperature.map((s) => ({ sensor: s.sensor, bins: s.bins.map(([t, lo, mean, hi]) => {
  if (lo === null || (beers(d, lo) && beers(d, hi))) return [t, lo, mean, hi];
  return [t, ...Array(3).fill([lo, hi].find((v) => beers(d, v)) ?? null)];
}) }));
const hot = (d) => d.temperature.map((s) => ({ sensor: s.sensor, bins: s.bins.flatMap((b) => [b[3], b[1]].filter((v) => v !== null && !beers(d, v)).slice(0, 1).map((v) => [b[0], v, v, v])) }));

/** inScale is the server's data in these scales. */
export function inScale(d, { gravity, warmth }) {
  const g = (v) => (v === null || v === undefined ? v : gravity.of(v));
  const bins = (series, of) => series.map((s) => ({ sensor: s.sensor, bins: s.bins.map(([t, ...v]) => [t, ...v.map((x) => (x === null || x === undefined ? x : of(x)))]) }));
  return {
    ...d,
    gravity: bins(d.gravity, gravity.of), temperature: bins(used(d), warmth.of), hot: bins(hot(d), warmth.of),
    // A deviation is a difference: of the value and the value one above.
    estimate: d.estimate.map(([t, v, sd]) => (v === null || v === undefined ? [t, null, null] : [t, g(v), g(v + sd) - g(v)])),
    fan: d.fan.map(([t, ...v]) => [t, ...v.map(g)]),
    target_gravity: g(d.target_gravity), low: g(d.low), high: g(d.high),
    marks: d.marks.map((m) => ({ ...m, value: g(m.value) })),
  };
}
