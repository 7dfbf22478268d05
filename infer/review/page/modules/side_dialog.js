import { ask } from "./dialog.js";
import { make, refill } from "./dom.js";
import { SIDE_CHOICES, amount, counted, footName, otherSide, sideWord } from "./words.js";

/**
 * Two questions that a wrong side raises: what the foot is called, and whether its points lie on it. What becomes of
 * every number is shown before anything is saved.
 *
 * @typedef {import("./types.js").Measurements} Measurements
 * @typedef {{side: import("./types.js").Side|"", anew: boolean, now: boolean}} Choice `now`: place the points at once instead of saving
 */

/**
 * @param {import("./types.js").Session} session
 * @param {{side: string, shownAs: string, measured: Measurements|null, companions: {foot: string}[]}} now
 * @param {(rest: {side: string, anew: boolean}) => Promise<Measurements>} measure what it would be then
 * @returns {Promise<Choice|null>}
 */
export async function askSide(session, now, measure) {
  const blind = session.study !== null;
  const sides = radios("called", SIDE_CHOICES, otherSide(now.side));
  const points = radios("points", [
    ["stay", "On the bones they are named after. They stay, and every angle keeps its sign: the film is mirrored, or the foot was called wrongly."],
    ["anew", "On another foot, or medial and lateral are exchanged. They are placed anew; there is no number until then."],
  ], blind ? "stay" : "");
  const body = make("tbody");
  const hint = make("p", { className: "hint" });
  /** @type {Measurements|null} */
  let after = null;
  let asked = 0;

  const graded = new Set(now.measured?.grades.map((one) => one.measure));
  const told = session.measures.filter((measure, k) => k < 2 || graded.has(measure.name));
  const others = session.measures.filter((measure) => !told.includes(measure));

  const draw = () => {
    const [side, anew] = [sides.chosen(), points.chosen() === "anew"];
    const row = (/** @type {string} */ name, /** @type {string} */ was, /** @type {string} */ is) =>
      make("tr", { className: was === is ? "" : "differs" }, make("th", { scope: "row", textContent: name }), make("td", { textContent: was }), make("td", { textContent: is }));
    const known = points.chosen() !== "" && side !== "";
    const then = (/** @type {() => string} */ text) => (!known ? "" : after ? text() : "working out…");
    refill(body,
      row("Called", footName(now.side), side ? footName(side) : ""),
      ...(blind ? [] : [
        row("Shown on the film", shown(now.shownAs), then(() => shown(after?.shown_as ?? ""))),
        ...told.map((measure) => row(measure.abbreviation, number(now.measured, measure), then(() => number(after, measure)))),
        others.length ? row("Other measures", counted(given(now.measured, others), "number"), then(() => counted(given(after, others), "number"))) : null,
      ]));
    const twin = now.companions.find((one) => one.foot === side);
    hint.textContent = twin && !anew ? `The film's other foot is called the ${footName(side).toLowerCase()}, too. If the film is mirrored, both names are wrong: open the other foot next.` : "";
  };
  const changed = async () => {
    after = null;
    const [side, where] = [sides.chosen(), points.chosen()];
    const mine = ++asked;
    draw();
    if (blind || !side || !where) return;
    const measured = await measure({ side, anew: where === "anew" }).catch(() => null);
    if (mine !== asked) return;
    after = measured;
    draw();
  };
  for (const field of [sides.element, points.element]) field.addEventListener("change", changed);
  draw();
  if (blind) await changed();

  const lack = () => {
    if (!sides.chosen() || !points.chosen()) return "Answer both questions first.";
    if (points.chosen() === "stay" && sides.chosen() === now.side) return "The foot is called so already.";
    return blind || after ? null : "The numbers are still being worked out.";
  };
  const how = await ask({
    title: "Wrong side",
    wide: !blind,
    body: [
      make("div", { className: "questions" }, sides.labelled("Which foot is it?"), blind ? null : points.labelled("Where do the points lie?")),
      make("table", { className: "both" }, make("caption", { textContent: "What is saved" }),
        make("thead", {}, make("tr", {}, ...["What", "Before", "After"].map((text) => make("th", { scope: "col", textContent: text })))), body),
      hint,
    ],
    choices: [
      { text: "Save: wrong side", value: "save", main: true, ready: lack },
      ...(blind ? [] : [{ text: "Place the points anew now", value: "now",
        ready: () => (points.chosen() === "stay" ? "By your answer the points stay." : lack()) }]),
      { text: "Back", value: null },
    ],
  });
  return how && { side: /** @type {Choice["side"]} */ (sides.chosen()), anew: points.chosen() === "anew", now: how === "now" };
}

/** @param {string} name @param {[string, string][]} options @param {string} first what is chosen already */
function radios(name, options, first) {
  const inputs = options.map(([value]) => make("input", { type: "radio", name, id: `${name}-${value}`, value, checked: value === first }));
  const element = make("fieldset", {});
  return {
    element,
    chosen: () => /** @type {string} */ (inputs.find((input) => input.checked)?.value ?? ""),
    labelled: (/** @type {string} */ legend) => {
      element.append(make("legend", { textContent: legend }),
        ...options.map(([value, text], k) => make("p", { className: "check" }, inputs[k], make("label", { for: `${name}-${value}`, textContent: text }))));
      return element;
    },
  };
}

/** @param {string} side */
function shown(side) {
  return sideWord(side) ? `as a ${sideWord(side)} foot` : "not known yet";
}

/** How many of these have a number. @param {Measurements|null} measured @param {import("./types.js").Measure[]} measures */
function given(measured, measures) {
  return measures.filter(({ name }) => measured?.measures.some((one) => one.name === name && one.value !== null)).length;
}

/** A number with its grade. @param {Measurements|null} measured @param {import("./types.js").Measure} measure */
function number(measured, measure) {
  const found = measured?.measures.find((one) => one.name === measure.name);
  if (!found || found.value === null) return "no number";
  const grade = measured?.grades.find((one) => one.measure === measure.name);
  return [amount(found.value, measure.unit), grade?.grade].filter(Boolean).join(", ");
}
