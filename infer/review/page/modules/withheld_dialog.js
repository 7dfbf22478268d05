import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { amount, levelWords, range } from "./words.js";

/**
 * A number that was withheld, shown because somebody asked for it, and whether to take it nevertheless.
 *
 * @param {import("./types.js").Session} session
 * @param {import("./landmarks.js").Landmarks} landmarks
 * @param {import("./types.js").Measure} measure
 * @param {import("./types.js").Measured} found with its number
 * @returns {Promise<boolean>}
 */
export async function askTake(session, landmarks, measure, found) {
  const { held } = found;
  const codes = held?.points ?? [];
  const taken = await ask({
    title: `${measure.abbreviation} is withheld${held?.by_run ? " by the run" : ""}`,
    body: [
      make("p", { textContent: `Why: ${held?.words ?? ""}${codes.length ? ` (${codes.map((code) => landmarks.name(code)).join("; ")})` : ""}.` }),
      make("p", { className: "looked-at" }, make("strong", { textContent: amount(found.value, measure.unit) }),
        ` ${levelWords(session.level)} interval: ${range(found, measure.unit)}`),
      make("p", { textContent: `Taken, it is saved in your name: "accepted by ${session.reader ?? ""}, withheld${held?.by_run ? " by the run" : ""}: ${held?.cause.replaceAll("_", " ") ?? ""}". Taken for these points only; placing them by hand is the other way.` }),
    ],
    choices: [{ text: "Leave it withheld", value: null, main: true }, { text: `Take ${measure.abbreviation} as it is`, value: true }],
  });
  return taken === true;
}
