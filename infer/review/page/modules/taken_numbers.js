import { NOWHERE, statesOf } from "./point_states.js";

/**
 * Withheld numbers that a reader takes nevertheless: each for the very points on which it was looked at.
 *
 * @typedef {import("./types.js").Session} Session
 * @typedef {import("./point_states.js").PointState} PointState
 * @typedef {{value: number, points: string}} Accepted the number that was seen, and the points it stood on
 * @typedef {{construction: string, anew: boolean}} Built how a measure is built, and whether the model's points count
 */

/** What a measure stands on, as one text. @param {Session} session @param {string} name @param {Built} built @param {Map<string, PointState>} at */
export function groundOf(session, name, { construction, anew }, at) {
  const codes = session.measures.find((one) => one.name === name)?.landmarks[construction] ?? [];
  return JSON.stringify([construction, anew, ...codes.map((code) => at.get(code) ?? NOWHERE).map(({ x, y, visible, moved }) => [x, y, visible, moved])]);
}

/** Those that were taken when a foot was saved. @param {Session} session @param {import("./types.js").Foot} foot @returns {Record<string, Accepted>} */
export function takenOf(session, foot) {
  const at = statesOf(foot.points);
  return Object.fromEntries(foot.measured.measures.filter((one) => one.accepted && one.value !== null)
    .map((one) => [one.name, { value: /** @type {number} */ (one.value), points: groundOf(session, one.name, foot, at) }]));
}

/** Those whose points still lie as they did. @param {Session} session @param {Record<string, Accepted>} accepted @param {Built} built @param {Map<string, PointState>} at @returns {Record<string, number>} */
export function stillTaken(session, accepted, built, at) {
  return Object.fromEntries(Object.entries(accepted).filter(([name, { points }]) => points === groundOf(session, name, built, at)).map(([name, { value }]) => [name, value]));
}
