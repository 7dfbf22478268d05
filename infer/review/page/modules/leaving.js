import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { counted } from "./words.js";

/**
 * A foot is left with something unsaved: save it, lose it, or stay.
 *
 * @param {{points: number, save: string|null, lack: string}} unsaved points changed, 0 if only a note was written;
 *   what saving would do, null if it cannot be saved yet, and then what it lacks
 * @returns {Promise<"save"|"leave"|null>} null to stay
 */
export function askBeforeLeaving({ points, save, lack }) {
  const what = points ? `You changed ${counted(points, "point")} and have not saved.` : "You wrote a note and have not saved it. A note is saved together with a verdict.";
  return ask({
    title: "Leave without saving?",
    body: [make("p", { textContent: what }), save ? null : make("p", { textContent: `It cannot be saved yet${lack ? `: ${lack}` : ""}.` })].filter((part) => part !== null),
    choices: [
      // Enter saves what was moved; a note alone must not turn into a verdict by Enter.
      ...(save && points ? [{ text: `${save}, and leave`, value: "save", main: true }] : []),
      { text: "Stay here", value: null, main: !(save && points) },
      ...(save && !points ? [{ text: `${save}, and leave`, value: "save" }] : []),
      { text: "Leave, and lose the changes", value: "leave" },
    ],
  });
}
