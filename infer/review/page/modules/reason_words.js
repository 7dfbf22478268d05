import { sideWord } from "./words.js";

/**
 * Reasons and remarks of a run in plain words, chosen by their kind: probabilities in percent, no names of program parts.
 * What is not listed here stays as the run says it.
 *
 * @typedef {import("./types.js").Said} Said
 */

/** By kind: what is taken out of the sentence, and the words. @type {Record<string, [RegExp, (...parts: string[]) => string]>} */
const WORDS = {
  no_foot_found: [/^/, () => "No foot was found on this film"],
  no_foot: [/([01]\.\d\d)$/, (score) => `Hardly a foot: ${percent(score)} sure that it is one`],
  foot_doubtful: [/([01]\.\d\d)$/, (score) => `foot doubtful: ${percent(score)} sure that it is one`],
  side_doubtful: [/\b([LR]) at ([01]\.\d\d)$/, (side, chance) => `side doubtful: ${sideWord(side)}, ${percent(chance)} sure`],
  side_conflict: [/\b([LR]), .*\b([LR])$/, (file, anatomy) => `side conflict: the file says ${sideWord(file)}, the anatomy says ${sideWord(anatomy)}`],
  side_contradicted: [/\bon ([LR]), .*\b([LR])$/, (points, picture) => `side contradicted: the points lie as on a ${sideWord(points)} foot, the picture was read as a ${sideWord(picture)} one`],
  side_repeated: [/\b([LR])$/, (side) => `side repeated: more than one foot on this film reads as ${sideWord(side)}`],
  side_letter_conflict: [/says ([LR]), (.+ says?) ([LR])$/, (letter, others, side) => `side letter conflict: the letter on the film says ${sideWord(letter)}, ${others} ${sideWord(side)}`],
  truncated: [/(\d+) of (\d+)/, (there, expected) => `This file cannot be read: it is cut off, ${percent(Number(there) / Number(expected))} of the picture is there`],
  unreadable: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  out_of_memory: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  other_file: [/: (.+)$/, (what) => `This file is no film: ${what}`],
  other_object: [/: (.+)$/, (what) => `This file is no film: ${what}`],
  no_decoder: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  encrypted: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  missing: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  changed: [/: (.+)$/, (why) => `This file cannot be read: ${why}`],
  process_died: [/: (.+)$/, (why) => `This file was not read: ${why}`],
  time_limit: [/: (.+)$/, (why) => `This file was not read: ${why}`],
  bytes_late: [/: (.+)$/, (why) => `This file was not read: ${why}`],
  container: [/: (.+)$/, (what) => `This file is no film: ${what}`],
  left_out: [/: (.+)$/, (why) => `Left out by the selection: ${why}`],
  unlike_training: [/strangeness ([\d.]+)/, (times) => `unlike the films that the model learned from: ${times} times as strange as is usual`],
  window_guessed: [/^/, () => "the file says nothing usable of its grey values: what is shown was chosen from the picture"],
  file_remark: [/: (.+)$/, (remark) => `the file: ${remark}`],
  loading_unknown: [/^/, () => "the file does not say whether the foot bears weight"],
  duplicate: [/same file as (.+)$/, (other) => `A copy: the same file as ${other}`],
};

/** Kinds whose words in the filter are not those of the run. @type {Record<string, string>} */
const KINDS = { unreadable: "file cannot be read", truncated: "file cannot be read, cut off", out_of_memory: "file cannot be read, too large", duplicate: "copy of another file", no_foot: "hardly a foot" };

/** @param {Said} said a reason or remark of the run */
export function reasonWords({ kind, text }) {
  const plain = text.replace(/\s*\([A-Za-z]*(?:Error|Exception|Warning)\)/g, "").replace(/\b(head_base|articular_midpoint|medial_edge)\b/g, (name) => name.replace("_", " "));
  const [pattern, words] = WORDS[kind] ?? [];
  const found = pattern?.exec(plain);
  return percents(found && words ? words(...found.slice(1)) : plain);
}

/** A kind of reason in the filter. @param {string} kind @param {Record<string, string>} words of every kind, by the server */
export function kindWords(kind, words) {
  return KINDS[kind] ?? words[kind] ?? kind;
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
