import { amount } from "./words.js";

/**
 * The angles of a foot as they are drawn: which two axes each lies between, and the arc from one to the other.
 *
 * @typedef {import("./types.js").Place} Place
 * @typedef {{name: string, from: Place, to: Place}} Line an axis in square pixels, pointing distally
 * @typedef {{measure: string, text: string, arc: Place[], start: Place}} Arc `start`: where the first axis ends, from
 *   which it runs on to the arc
 */

const STEPS = 32;
/** Lines that differ by less than this do not meet anywhere that says something, radians. */
const PARALLEL = (0.5 * Math.PI) / 180;

/**
 * The two axes of every measure that lies between two, in the order in which its landmarks name them.
 *
 * @param {import("./types.js").Session} session
 * @param {string} construction
 * @returns {Map<string, [string, string]>} bones by measure
 */
export function axesOfMeasures(session, construction) {
  const axes = session.axes[construction] ?? [];
  /** @type {Map<string, [string, string]>} */
  const found = new Map();
  for (const { name, landmarks } of session.measures) {
    const codes = landmarks[construction] ?? [];
    const its = axes.filter((axis) => [...axis.from, ...axis.to].every((code) => codes.includes(code)))
      .sort((a, b) => codes.indexOf(a.from[0]) - codes.indexOf(b.from[0]));
    if (its.length === 2) found.set(name, [its[0].name, its[1].name]);
  }
  return found;
}

/**
 * @param {import("./types.js").Session} session
 * @param {string} construction
 * @param {import("./types.js").Measured[]} measured
 * @param {Line[]} lines
 * @returns {Arc[]} of the measures that are drawn and have a value
 */
export function arcs(session, construction, measured, lines) {
  const between = axesOfMeasures(session, construction);
  const byBone = new Map(lines.map((line) => [line.name, line]));
  return session.measures.flatMap(({ name, abbreviation, drawn }) => {
    const found = measured.find((one) => one.name === name);
    const [first, second] = (between.get(name) ?? []).map((bone) => byBone.get(bone));
    if (!drawn || !found || found.value === null || !first || !second) return [];
    return [{ measure: name, text: `${abbreviation} ${amount(found.value, found.unit)}`, arc: arcBetween(first, second), start: first.to }];
  });
}

/** Points from the first to the second line at the middle of the second; a chord where they hardly meet. @param {Line} first @param {Line} second */
function arcBetween(first, second) {
  const middle = (/** @type {Line} */ { from, to }) => ({ x: (from.x + to.x) / 2, y: (from.y + to.y) / 2 });
  const [u, v] = [first, second].map(({ from, to }) => {
    const length = Math.hypot(to.x - from.x, to.y - from.y) || 1;
    return { x: (to.x - from.x) / length, y: (to.y - from.y) / length };
  });
  const across = u.x * v.y - u.y * v.x;
  const end = middle(second);
  if (Math.abs(across) < Math.sin(PARALLEL)) return [middle(first), end];
  const [dx, dy] = [second.from.x - first.from.x, second.from.y - first.from.y];
  const along = (dx * v.y - dy * v.x) / across;
  const centre = { x: first.from.x + along * u.x, y: first.from.y + along * u.y };
  const reach = (end.x - centre.x) * v.x + (end.y - centre.y) * v.y;
  const sign = Math.sign(reach) || 1;
  const [begin, finish] = [u, v].map((way) => Math.atan2(sign * way.y, sign * way.x));
  const turn = ((((finish - begin + Math.PI) % (2 * Math.PI)) + 2 * Math.PI) % (2 * Math.PI)) - Math.PI;
  return Array.from({ length: STEPS + 1 }, (_, k) => {
    const angle = begin + (turn * k) / STEPS;
    return { x: centre.x + Math.abs(reach) * Math.cos(angle), y: centre.y + Math.abs(reach) * Math.sin(angle) };
  });
}
