/**
 * Places for labels on the film that hide neither points nor axes nor each other.
 *
 * @typedef {import("./types.js").Place} Place
 * @typedef {{x: number, y: number, width: number, height: number}} Box left upper corner and size
 * @typedef {{from: Place, to: Place}} Segment
 * @typedef {{key: string, at: Place[], way: number, width: number, height: number, near: number, must: boolean}} Label
 *   `at`: places of what it names, the best first; `way`: direction in which it is tried first, radians; `near`: least
 *   distance from there; `must`: shown even where nothing is near and free
 * @typedef {{box: Box, at: Place}} Placed the box, and which of the places it names
 */

const DIRECTIONS = 16;
/** Steps away from what a label names, pixels; labels that need not be shown go no further than the first ones. */
const AWAY = [0, 8, 18, 32, 50, 74, 104, 140, 190, 250];
const NEAR = 2;
/** Least distance from the border of the stage and from whatever must not be hidden. */
const EDGE = 4;
const CLEAR = 3;

export class LabelPlaces {
  constructor() {
    /** @type {Map<string, number>} the candidate that each label took last: kept while it is free, so that labels rest */
    this.last = new Map();
  }

  /**
   * @param {Label[]} labels the most important first
   * @param {{points: {at: Place, radius: number}[], lines: Segment[], boxes: Box[], width: number, height: number}} taken
   * @returns {Map<string, Placed>} by key; labels for which nothing is free are left out
   */
  place(labels, { points, lines, boxes, width, height }) {
    const used = [...boxes];
    /** @type {Map<string, Placed>} */
    const placed = new Map();
    for (const label of labels) {
      const count = label.at.length * DIRECTIONS * (label.must ? AWAY.length : NEAR);
      const order = Array.from({ length: count }, (_, k) => k);
      const before = this.last.get(label.key);
      if (before !== undefined && before < count) order.unshift(before);
      let best = -1;
      let least = Infinity;
      for (const k of order) {
        const cost = hidden(candidate(label, k), points, lines, used, width, height);
        if (cost < least) [best, least] = [k, cost];
        if (cost === 0) break;
      }
      if (least > 0 && !(label.must && least < Infinity)) {
        this.last.delete(label.key);
        continue;
      }
      const found = candidate(label, best);
      this.last.set(label.key, best);
      used.push(found.box);
      placed.set(label.key, found);
    }
    return placed;
  }
}

/** The nearest first, and among those in the wanted direction. @param {Label} label @param {number} k @returns {Placed} */
function candidate({ at: places, way, width, height, near }, k) {
  const turn = k % DIRECTIONS;
  const at = places[Math.floor(k / DIRECTIONS) % places.length];
  const angle = way + ((turn % 2 ? (turn + 1) / 2 : -turn / 2) * 2 * Math.PI) / DIRECTIONS;
  const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
  const away = near + AWAY[Math.floor(k / DIRECTIONS / places.length)];
  // The middle of the box so far away that its border, not its middle, keeps the distance.
  const out = Math.min(Math.abs(cos) > 1e-9 ? width / 2 / Math.abs(cos) : Infinity, Math.abs(sin) > 1e-9 ? height / 2 / Math.abs(sin) : Infinity);
  return { box: { x: at.x + cos * (away + out) - width / 2, y: at.y + sin * (away + out) - height / 2, width, height }, at };
}

/** How much a label hides, its line to what it names counting less; infinite outside the stage. @type {(placed: Placed, points: {at: Place, radius: number}[], lines: Segment[], boxes: Box[], width: number, height: number) => number} */
function hidden({ box, at }, points, lines, boxes, width, height) {
  if (box.x < EDGE || box.y < EDGE || box.x + box.width > width - EDGE || box.y + box.height > height - EDGE) return Infinity;
  let cost = 0;
  for (const point of points) if (distance(box, point.at) < point.radius + CLEAR) cost += 30;
  for (const line of lines) if (crosses(box, line)) cost += 20;
  for (const other of boxes) if (overlap(box, other)) cost += 40;
  const leader = { from: leaderEnd(box, at), to: at };
  if (Math.hypot(leader.from.x - at.x, leader.from.y - at.y) > FAR) for (const point of points) if (point.at !== at && crosses(around(point), leader)) cost += 1;
  return cost;
}

/** A label farther than this from what it names gets a line to it. */
export const FAR = 24;

/** Where that line meets the label. @param {Box} box @param {Place} at @returns {Place} */
export function leaderEnd(box, at) {
  return { x: Math.min(Math.max(at.x, box.x), box.x + box.width), y: Math.min(Math.max(at.y, box.y), box.y + box.height) };
}

/** @param {{at: Place, radius: number}} point @returns {Box} */
function around({ at, radius }) {
  return { x: at.x - radius, y: at.y - radius, width: 2 * radius, height: 2 * radius };
}

/** @param {Box} box @param {Place} at */
function distance(box, at) {
  const dx = Math.max(box.x - at.x, 0, at.x - box.x - box.width);
  const dy = Math.max(box.y - at.y, 0, at.y - box.y - box.height);
  return Math.hypot(dx, dy);
}

/** @param {Box} a @param {Box} b */
export function overlap(a, b) {
  return a.x < b.x + b.width + CLEAR && b.x < a.x + a.width + CLEAR && a.y < b.y + b.height + CLEAR && b.y < a.y + a.height + CLEAR;
}

/** Whether a line comes near the box: clipped by its four sides, one after the other. @param {Box} box @param {Segment} line */
export function crosses(box, { from, to }) {
  let [enter, leave] = [0, 1];
  for (const [start, way, least, most] of [
    [from.x, to.x - from.x, box.x - CLEAR, box.x + box.width + CLEAR],
    [from.y, to.y - from.y, box.y - CLEAR, box.y + box.height + CLEAR],
  ]) {
    if (Math.abs(way) < 1e-9) {
      if (start < least || start > most) return false;
      continue;
    }
    const [a, b] = [(least - start) / way, (most - start) / way];
    enter = Math.max(enter, Math.min(a, b));
    leave = Math.min(leave, Math.max(a, b));
  }
  return enter <= leave;
}
