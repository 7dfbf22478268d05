/**
 * Bones: their names, and the colours of their axes and points on the film, the same on screen, on paper, in the legend
 * and in the overlay pictures of the run. The session brings both: colours are
 * those of overlay_style.py, names those of measure/bones.py.
 */

/** @type {import("./types.js").Colours} */
let colours = { bones: {}, other: "", doubtful: "", arc: "" };
/** @type {Map<string, string>} colours by code of a landmark */
let ofLandmarks = new Map();
/** @type {Record<string, string>} */
let names = {};

/** Take names and colours of a session; what is drawn by style sheet finds them in its variables. @param {import("./types.js").Session} session */
export function useBones(session) {
  ({ colours, bones: names } = session);
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
  return names[bone] ?? bone;
}

/** An axis in the legend: the bone it belongs to. @param {{title: string}} axis "axis of the first metatarsal" */
export function axisBone({ title }) {
  return title.replace(/^axis of the /, "");
}
