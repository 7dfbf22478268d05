/** Words and signs that several parts of the page share. */

/** @type {Record<string, {sign: string, text: string}>} */
export const STATES = {
  open: { sign: "○", text: "open" },
  confirmed: { sign: "✓", text: "confirmed" },
  corrected: { sign: "✎", text: "corrected" },
  not_measurable: { sign: "⊘", text: "cannot be measured" },
  wrong_side: { sign: "⇄", text: "wrong side" },
  wrong_view: { sign: "◩", text: "wrong view" },
};

/** States in which a reader says that the foot has no numbers. */
export const NUMBERLESS = new Set(["not_measurable", "wrong_view"]);

/** @type {Record<string, {sign: string, text: string}>} */
export const DECISIONS = {
  accepted: { sign: "●", text: "accepted" },
  review: { sign: "◆", text: "to review" },
  refused: { sign: "■", text: "refused" },
};

/** @type {Record<string, string>} */
export const VERDICTS = {
  confirm: "confirmed",
  correct: "corrected",
  cannot_be_measured: "cannot be measured",
  wrong_side: "wrong side",
  wrong_view: "wrong view",
  reopen: "reopened",
};

/** Words of the sides. @type {Record<string, string>} */
const SIDES = { L: "left", R: "right" };

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
  const word = sideWord(side);
  return word ? `${word[0].toUpperCase()}${word.slice(1)} foot` : "Foot";
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
  return `${value.toFixed(sign === "" ? 3 : 1).replace("-", "−")}${sign}`;
}

/** @param {{low: number|null, high: number|null}} interval @param {string} unit */
export function range({ low, high }, unit) {
  return low === null || high === null ? "" : `${amount(low, unit).replace("°", "")} to ${amount(high, unit)}`;
}

/** A level or share as it is, never rounded to another one: 0.9 is "90 %", 0.683 "68.3 %", 0.9545 "95.45 %". @param {number} level 0 to 1 */
export function levelWords(level) {
  return `${Number((100 * level).toPrecision(12))} %`;
}

/** What stands on every page and sheet; that this is no medical device stands there whatever the server says. @param {{cautions: import("./types.js").Said[]}} session */
export function cautionWords({ cautions }) {
  const own = cautions.some(({ kind }) => kind === "device") ? [] : ["Not a medical device."];
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
