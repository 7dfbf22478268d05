/** Words and signs that several parts of the page share. */

import { decimal, knows, say } from "./say.js";

/** @type {Record<string, {sign: string, text: string}>} */
export const STATES = {
  open: { sign: "○", text: say("state_open") },
  confirmed: { sign: "✓", text: say("state_confirmed") },
  corrected: { sign: "✎", text: say("state_corrected") },
  not_measurable: { sign: "⊘", text: say("state_not_measurable") },
  wrong_side: { sign: "⇄", text: say("state_wrong_side") },
  wrong_view: { sign: "◩", text: say("state_wrong_view") },
};

/** States in which a reader says that the foot has no numbers. */
export const NUMBERLESS = new Set(["not_measurable", "wrong_view"]);

/** @type {Record<string, {sign: string, text: string}>} */
export const DECISIONS = {
  accepted: { sign: "●", text: say("list_accepted") },
  review: { sign: "◆", text: say("list_review") },
  refused: { sign: "■", text: say("list_refused") },
};

/** @type {Record<string, string>} */
export const VERDICTS = {
  confirm: say("said_confirm"),
  correct: say("said_correct"),
  cannot_be_measured: say("said_cannot_be_measured"),
  wrong_side: say("said_wrong_side"),
  wrong_view: say("said_wrong_view"),
  reopen: say("said_reopen"),
};

/** Words of the sides. @type {Record<string, string>} */
const SIDES = { L: say("side_L"), R: say("side_R") };

/** "left", "right"; empty where the side is not known. @param {string|null|undefined} side */
export function sideWord(side) {
  return SIDES[side ?? ""] ?? "";
}

/** The other one; empty where the side is not known. @param {string|null|undefined} side */
export function otherSide(side) {
  return sideWord(side) && (Object.keys(SIDES).find((one) => one !== side) ?? "");
}

/** "Left foot", "Right foot"; "Foot" where the side is not known. @param {string|null|undefined} side */
export function footName(side) {
  return knows(`foot_named_${side}`) ? say(`foot_named_${side}`) : say("foot_named");
}

/** The sides to choose from. @type {[string, string][]} */
export const SIDE_CHOICES = Object.keys(SIDES).map((side) => [side, footName(side)]);

/** @param {string} name */
export function spaced(name) {
  return name.replaceAll("_", " ");
}

/** @param {string} unit */
function unitSign(unit) {
  return unit.startsWith("deg") || unit === "°" ? "°" : unit === "ratio" || unit === "" ? "" : ` ${unit}`;
}

/** @param {number|null|undefined} value @param {string} unit */
export function amount(value, unit) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const sign = unitSign(unit);
  return `${decimal(value.toFixed(sign === "" ? 3 : 1))}${sign}`;
}

/** @param {{low: number|null, high: number|null}} interval @param {string} unit */
export function range({ low, high }, unit) {
  return low === null || high === null ? "" : say("interval", { low: amount(low, unit).replace("°", ""), high: amount(high, unit) });
}

/** A level or share as it is, never rounded to another one: 0.9 is "90 %", 0.683 "68.3 %", 0.9545 "95.45 %". @param {number} level 0 to 1 */
export function levelWords(level) {
  return `${Number((100 * level).toPrecision(12))} %`;
}

/** What stands on every page and sheet; that this is no medical device stands there whatever the server says. @param {{cautions: import("./types.js").Said[]}} session */
export function cautionWords({ cautions }) {
  const own = cautions.some(({ kind }) => kind === "device") ? [] : [say("not_a_device")];
  return [...own, ...cautions.map(({ text }) => text)].join(" ");
}

/** @param {string} when ISO time */
export function moment(when) {
  const date = new Date(when);
  return Number.isNaN(date.getTime()) ? when : date.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

/** @param {number} count @param {string} one @param {string} [many] */
export function counted(count, one, many = `${one}s`) {
  return `${count.toLocaleString("en")} ${count === 1 ? one : many}`;
}
