/** Words of the desk's page. */

import { counted, STATES } from "./words.js";

/** Choices of what may be stated of a film: value, words. @type {Record<string, [string, string][]>} */
export const CHOICES = {
  worn: [["", "not stated"], ["nothing", "nothing, bare foot"], ["splint", "splint"], ["spacer", "spacer"], ["orthosis", "orthosis"], ["tape", "tape"]],
  loading: [["", "as the file says"], ["full", "full, standing"], ["partial", "partial"], ["simulated", "simulated"], ["none", "none"], ["unknown", "unknown"]],
  surgery: [["", "not stated"], ["before", "before an operation"], ["after", "after an operation"]],
  stance: [["", "not stated"], ["gait", "own angle and base of gait"], ["parallel", "feet parallel"], ["other", "otherwise"]],
  beam: [["", "not stated"], ["one foot", "one foot"], ["between feet", "between the feet"]],
  marker: [["", "not stated"], ["exposed", "exposed with the film"], ["added", "added afterwards"], ["none", "none"]],
};

/** @param {string} name @param {string} value */
export function choiceWords(name, value) {
  return CHOICES[name].find(([one]) => one === value)?.[1] ?? value;
}

/** How far measuring is. @param {import("./types.js").ClinicState} state @returns {{text: string, busy: boolean}} */
export function howFarWords({ measuring, waiting, films, open, settled }) {
  const { stage, done, total } = measuring;
  if (stage === "waiting") return { text: "Films have come; measuring begins.", busy: true };
  if (stage === "loading") return { text: "Loading the networks.", busy: true };
  if (stage === "measuring") return { text: `Measuring: ${done} of ${counted(total, "film")}.`, busy: true };
  if (stage === "held") return { text: "Films are read. They join the worklist as soon as the foot that is open for review is saved or left.", busy: true };
  if (stage === "writing") return { text: "Writing the numbers.", busy: true };
  if (stage === "failed") return { text: `Measuring stopped; ${counted(waiting, "film")} wait.`, busy: false };
  if (!films) return { text: "Nothing on the desk yet.", busy: false };
  return { text: `${counted(films, "film")}. ${counted(open, "foot", "feet")} open, ${settled} settled.`, busy: false };
}

/** State of a foot with its sign. @param {import("./types.js").ClinicFoot} foot */
export function stateWords(foot) {
  const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
  return `${sign} ${text}`;
}

/** A day as people here write it. @param {string} iso */
export function dayWords(iso) {
  if (!iso) return "no day";
  const date = new Date(`${iso.slice(0, 10)}T12:00:00`);
  return Number.isNaN(date.getTime()) ? iso : date.toLocaleDateString([], { dateStyle: "medium" });
}
