/** Bones: their names, and the colours of their axes on the film, the same on screen, on paper and in the legend. */

const ORDINALS = ["", "first", "second", "third", "fourth", "fifth"];

/** @type {Record<string, string>} by the prefix of a bone's landmarks; light enough on a dark film */
const COLOURS = {
  M1: "#7ec7b2",
  M2: "#e4cd8e",
  M3: "#c9d9a4",
  M4: "#97bee4",
  M5: "#85a1d6",
  PP: "#cdb4e2",
  DP: "#e9a0b2",
};
const OTHER = "#d7d3c8";

/** Colour of an axis. @param {string} bone M1 to M5, PP, PP2 and so on, DP */
export function boneColour(bone) {
  return COLOURS[bone] ?? COLOURS[bone.slice(0, 2)] ?? OTHER;
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
