/** Words of the desk's page. */

import { counted, dayWords, language, say } from "./say.js";
import { STATES } from "./words.js";

/** Choices of what may be stated of a film: value, key of its words. @type {Record<string, [string, string][]>} */
const CHOICE_KEYS = {
  worn: [["", "worn_unknown"], ["nothing", "choice_nothing"], ["splint", "worn_splint"], ["spacer", "worn_spacer"], ["orthosis", "worn_orthosis"], ["tape", "worn_tape"]],
  loading: [["", "choice_as_filed"], ["full", "choice_full"], ["partial", "loading_partial"], ["simulated", "loading_simulated"], ["none", "loading_none"], ["unknown", "choice_unknown"]],
  surgery: [["", "surgery_unknown"], ["before", "choice_before"], ["after", "choice_after"]],
  stance: [["", "stance_unknown"], ["gait", "stance_gait"], ["parallel", "stance_parallel"], ["other", "stance_other"]],
  beam: [["", "beam_unknown"], ["one foot", "beam_one_foot"], ["between feet", "beam_between_feet"]],
  marker: [["", "marker_unknown"], ["exposed", "marker_exposed"], ["added", "marker_added"], ["none", "marker_none"]],
};

/** Choices of what may be stated of a film: value, words. @type {Record<string, [string, string][]>} */
export const CHOICES = Object.fromEntries(Object.entries(CHOICE_KEYS).map(([name, choices]) => [name, choices.map(([value, key]) => [value, say(key)])]));

/** @param {string} name @param {string} value */
export function choiceWords(name, value) {
  return CHOICES[name].find(([one]) => one === value)?.[1] ?? value;
}

/** How far measuring is. @param {import("./types.js").ClinicState} state @returns {{text: string, busy: boolean}} */
export function howFarWords({ measuring, waiting, films, open, settled }) {
  const { stage, done, total } = measuring;
  if (stage === "failed") return { text: say("far_failed", { films: counted(waiting, "films") }), busy: false };
  if (stage !== "idle") return { text: say(`far_${stage}`, { done, films: counted(total, "films") }), busy: true };
  return { text: films ? say("far_idle", { films: counted(films, "films"), feet: counted(open, "feet"), settled }) : say("far_empty"), busy: false };
}

/** State of a foot with its sign. @param {import("./types.js").ClinicFoot} foot */
export function stateWords(foot) {
  const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
  return `${sign} ${text}`;
}

/** A day as people here write it, or that there is none. @param {string} iso */
export function dayOrNone(iso) {
  return iso ? dayWords(iso) : say("no_day");
}

/** A moment of this machine's time. @param {string} iso */
export function momentWords(iso) {
  const date = new Date(iso);
  if (Number.isNaN(date.getTime())) return iso;
  const part = (/** @type {number} */ number) => String(number).padStart(2, "0");
  const day = `${date.getFullYear()}-${part(date.getMonth() + 1)}-${part(date.getDate())}`;
  return `${dayWords(day)}, ${date.toLocaleTimeString(language, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" })}`;
}
