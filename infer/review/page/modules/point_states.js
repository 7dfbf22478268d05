/**
 * Where a point stands for a reader: its place on the film, whether it can be seen, and whether a hand put it there.
 *
 * @typedef {import("./landmarks.js").GivenPoint} FootPoint
 * @typedef {{x: number|null, y: number|null, visible: boolean, moved: boolean}} PointState
 */

/** @type {PointState} */
export const NOWHERE = { x: null, y: null, visible: true, moved: false };

/** @param {FootPoint} point @returns {PointState} */
export function stateOf({ x, y, visible, moved }) {
  return { x, y, visible, moved };
}

/** @param {FootPoint[]} points @returns {Map<string, PointState>} */
export function statesOf(points) {
  return new Map(points.map((point) => [point.code, stateOf(point)]));
}

/** @param {PointState} a @param {PointState} b */
export function same(a, b) {
  return a.x === b.x && a.y === b.y && a.visible === b.visible && a.moved === b.moved;
}
