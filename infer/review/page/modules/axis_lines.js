/**
 * Axes as lines on the screen.
 *
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./label_places.js").Segment} Segment
 */

/** An axis is drawn so much longer than its two points are apart, at each end. */
const BEYOND = 0.3;

/** An axis in screen pixels. @param {import("./film_view.js").FilmView} view @param {import("./types.js").Axis} axis @returns {import("./arcs.js").Line} */
export function onScreen(view, { name, from, to }) {
  const [start, end] = [from, to].map(([x, y]) => view.toScreen({ x, y }));
  return { name, from: start, to: end };
}

/** Where an axis is drawn from and to. @param {Segment} axis @returns {[Place, Place]} */
export function drawnEnds({ from, to }) {
  const [dx, dy] = [(to.x - from.x) * BEYOND, (to.y - from.y) * BEYOND];
  return [{ x: from.x - dx, y: from.y - dy }, { x: to.x + dx, y: to.y + dy }];
}

/** A line through places, as a path of SVG. @param {Place[]} places */
export function path(places) {
  return `M${places.map(({ x, y }) => `${x.toFixed(2)} ${y.toFixed(2)}`).join("L")}`;
}

/** Its pieces. @param {Place[]} places @returns {Segment[]} */
export function segments(places) {
  return places.slice(1).map((to, k) => ({ from: places[k], to }));
}
