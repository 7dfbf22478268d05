/**
 * Bones: their names, and the colours of their axes and points on the film, the same on screen, on paper, in the legend
 * and in the overlay pictures of the run. The one list is overlay_style.py; the session brings it.
 */

const ORDINALS = ["", "first", "second", "third", "fourth", "fifth"];

/** @type {import("./types.js").Colours} */
let colours = { bones: {}, other: "", doubtful: "", arc: "" };
/** @type {Map<string, string>} colours by code of a landmark */
let ofLandmarks = new Map();

/** Take the colours of a session; what is drawn by style sheet finds them in its variables. @param {import("./types.js").Session} session */
export function useColours(session) {
  ({ colours } = session);
  ofLandmarks = new Map(session.schema.map(({ code, axis }) => [code, boneColour(axis)]));
  const { style } = document.documentElement;
  style.setProperty("--film-doubt", colours.doubtful);
  style.setProperty("--film-arc", colours.arc);
}

/** Colour of an axis. @param {string} bone M1 to M5, PP, PP2 and so on, DP */
export function boneColour(bone) {
  return colours.bones[bone] ?? colours.other;
}

/** Colour of a point that the model placed: that of its bone. @param {string} code */
export function pointColour(code) {
  return ofLandmarks.get(code) ?? colours.other;
}

/** A bone of the landmark schema in words. @param {string} bone "metatarsal_1" */
export function boneName(bone) {
  const [, name, number] = /^(.+?)(?:_(\d))?$/.exec(bone) ?? ["", bone, ""];
  const words = name.replaceAll("_", " ");
  if (!number) return words;
  if (words.includes("phalanx") && number === "1") return `${words} of the great toe`;
  return `${ORDINALS[Number(number)] ?? number} ${words}`;
}

/** An axis in the legend: the bone it belongs to. @param {{title: string}} axis "axis of the first metatarsal" */
export function axisBone({ title }) {
  return title.replace(/^axis of the /, "");
}
