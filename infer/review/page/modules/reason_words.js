/**
 * Reasons and remarks of a run in plain words: probabilities in percent, no names of program parts. What is not listed
 * here stays as the run says it.
 */

/** @type {[RegExp, string | ((...parts: string[]) => string)][]} */
const WORDS = [
  [/^no foot found$/, "No foot was found on this film"],
  [/^no foot: score ([01]\.\d\d)$/, (_, score) => `Hardly a foot: ${percent(score)} sure that it is one`],
  [/^foot doubtful: score ([01]\.\d\d)$/, (_, score) => `foot doubtful: ${percent(score)} sure that it is one`],
  [/^side doubtful: ([LR]) at ([01]\.\d\d)$/, (_, side, chance) => `side doubtful: ${sideWord(side)}, ${percent(chance)} sure`],
  [/^side conflict: the file says ([LR]), the anatomy says ([LR])$/, (_, file, anatomy) => `side conflict: the file says ${sideWord(file)}, the anatomy says ${sideWord(anatomy)}`],
  [/^side contradicted: the points lie as on ([LR]), the picture was read as ([LR])$/, (_, points, picture) => `side contradicted: the points lie as on a ${sideWord(points)} foot, the picture was read as a ${sideWord(picture)} one`],
  [/^side repeated: more than one foot on this film reads as ([LR])$/, (_, side) => `side repeated: more than one foot on this film reads as ${sideWord(side)}`],
  [/^unreadable: truncated: (\d+) of (\d+) bytes of pixel data$/, (_, have, want) => `This file cannot be read: it is cut off, ${percent(String(Number(have) / Number(want)))} of the picture is there`],
  [/^unreadable: (.+)$/, (_, why) => `This file cannot be read: ${why}`],
  [/^unlike training films: strangeness ([\d.]+), usual 1, limit [\d.]+$/, (_, times) => `unlike the films that the model learned from: ${times} times as strange as is usual`],
  [/^(?:no window stated|the stated window is unusable|the stated window shows nothing|16-bit picture|unprocessed detector data \(FOR PROCESSING\)): window set by percentiles$/, "the file says nothing usable of its grey values: what is shown was chosen from the picture"],
  [/^remark on the file: (.+)$/, (_, remark) => `the file: ${remark}`],
  [/^loading unknown(?::.*)?$/, "the file does not say whether the foot bears weight"],
  [/^duplicate: same file as (.+)$/, (_, other) => `A copy: the same file as ${other}`],
];

/** @param {string} reason as the run states it */
export function reasonWords(reason) {
  const plain = reason.replace(/\s*\([A-Za-z]*(?:Error|Exception|Warning)\)/g, "").replace(/\b(head_base|articular_midpoint|medial_edge)\b/g, (name) => name.replace("_", " "));
  for (const [pattern, words] of WORDS) if (pattern.test(plain)) return percents(plain.replace(pattern, /** @type {any} */ (words)));
  return percents(plain);
}

/** A kind of reason in the filter: its first words. @param {string} kind */
export function kindWords(kind) {
  return { unreadable: "file cannot be read", duplicate: "copy of another file", "no foot": "hardly a foot" }[kind] ?? kind;
}

/** Probabilities in brackets or after a view. @param {string} text */
function percents(text) {
  return text.replace(/\(([01]\.\d\d)\)/g, (_, chance) => `(${percent(chance)} sure)`)
    .replace(/\b(dorsoplantar|oblique|lateral|something else) ([01]\.\d\d)\b/g, (_, view, chance) => `${view} ${percent(chance)}`);
}

/** Never quite certain, in either direction. @param {string|number} chance 0 to 1 */
export function percent(chance) {
  const share = Number(chance);
  return share >= 0.995 ? "over 99 %" : share < 0.005 ? "under 1 %" : `${Math.round(100 * share)} %`;
}

/** @param {string} side */
function sideWord(side) {
  return side === "L" ? "left" : "right";
}
