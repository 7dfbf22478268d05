/**
 * Affine maps of the plane as six numbers [a, b, c, d, e, f]: x' = a x + c y + e, y' = b x + d y + f.
 *
 * @typedef {[number, number, number, number, number, number]} Affine
 * @typedef {import("./types.js").Place} Place
 */

/** The map that first does `first`, then `second`. @type {(second: Affine, first: Affine) => Affine} */
export function compose(second, first) {
  const [a, b, c, d, e, f] = second;
  const [p, q, r, s, t, u] = first;
  return [a * p + c * q, b * p + d * q, a * r + c * s, b * r + d * s, a * t + c * u + e, b * t + d * u + f];
}

/** @type {(map: Affine) => Affine} */
export function invert([a, b, c, d, e, f]) {
  const area = a * d - b * c;
  return [d / area, -b / area, -c / area, a / area, (c * f - d * e) / area, (b * e - a * f) / area];
}

/** @type {(map: Affine, place: Place) => Place} */
export function apply([a, b, c, d, e, f], { x, y }) {
  return { x: a * x + c * y + e, y: b * x + d * y + f };
}

/** Length of one column step on the target: the scale of a map that keeps angles. @type {(map: Affine) => number} */
export function scaleOf([a, b]) {
  return Math.hypot(a, b);
}

/** `linear` about a centre that stays where it is. @type {(linear: [number, number, number, number], centre: Place) => Affine} */
export function about([a, b, c, d], { x, y }) {
  return [a, b, c, d, x - a * x - c * y, y - b * x - d * y];
}

/**
 * The map that keeps shapes and takes two points to two others, mirrored or not.
 *
 * @param {[Place, Place]} from
 * @param {[Place, Place]} to
 * @param {boolean} mirrored
 * @returns {Affine}
 */
export function similarity(from, to, mirrored) {
  const sign = mirrored ? -1 : 1;
  const [u, v] = [from[1].x - from[0].x, sign * (from[1].y - from[0].y)];
  const [p, q] = [to[1].x - to[0].x, to[1].y - to[0].y];
  const square = u * u + v * v;
  const [re, im] = [(p * u + q * v) / square, (q * u - p * v) / square];
  const linear = /** @type {Affine} */ ([re, im, -im * sign, re * sign, 0, 0]);
  const start = apply(linear, from[0]);
  return [linear[0], linear[1], linear[2], linear[3], to[0].x - start.x, to[0].y - start.y];
}
