import { axesOfMeasures } from "./arcs.js";
import { axisBone } from "./bones.js";
import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { amount } from "./words.js";

/**
 * Angles that no foot gives: most likely a point lies on another bone, or the two ends of a bone are swapped.
 *
 * @typedef {import("./types.js").Session} Session
 * @typedef {import("./types.js").Measured} Measured
 */

/** Those outside the limits of the session, or, in a blind read, those that the server names without a number. @param {Session} session @param {Measured[]} measured */
export function impossible(session, measured) {
  return measured.filter(({ name, value, implausible }) => {
    if (implausible) return true;
    const [low, high] = session.measures.find((one) => one.name === name)?.plausible ?? [-Infinity, Infinity];
    return value !== null && (value < low || value > high);
  });
}

/**
 * @param {Session} session
 * @param {string} construction
 * @param {Measured[]} measured those that are impossible
 * @returns {Promise<boolean>} whether to save it all the same
 */
export async function askImpossible(session, construction, measured) {
  const between = axesOfMeasures(session, construction);
  const axes = session.axes[construction] ?? [];
  const lines = measured.map(({ name, value, unit }) => {
    const bones = (between.get(name) ?? []).map((bone) => axisBone(axes.find((axis) => axis.name === bone) ?? { title: bone }));
    const measure = session.measures.find((one) => one.name === name);
    const what = bones.length === 2 ? `Between the ${bones[0]} and the ${bones[1]}` : measure?.title ?? "A measure";
    const [low, high] = measure?.plausible ?? [0, 0];
    return make("li", { textContent: value === null ? `${what}.` : `${what}: ${measure?.abbreviation} ${amount(value, unit)}; feet give ${amount(low, unit)} to ${amount(high, unit)}.` });
  });
  const answer = await ask({
    title: measured.length === 1 ? "This angle looks impossible" : "These angles look impossible",
    body: [
      make("ul", { className: "impossible" }, ...lines),
      make("p", { textContent: "No foot gives such an angle. Look at the points of these axes again: does each lie on its own bone, and are base and head not exchanged?" }),
    ],
    choices: [{ text: "Look again", value: null, main: true }, { text: "Save as it is", value: true }],
  });
  return answer === true;
}
