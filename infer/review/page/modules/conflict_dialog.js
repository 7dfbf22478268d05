import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { VERDICTS, amount, counted, footName, moment } from "./words.js";

/**
 * Somebody saved this foot in the meantime: both reads side by side, and the reader chooses.
 *
 * @param {import("./types.js").Session} session
 * @param {any} theirs what stands now
 * @param {any} yours what was sent
 * @returns {Promise<"theirs"|"mine"|null>} null to go on with one's own, unsaved
 */
export function askConflict(session, theirs, yours) {
  const row = (/** @type {string} */ name, /** @type {string} */ one, /** @type {string} */ other) =>
    make("tr", { className: one === other ? "" : "differs" }, make("th", { scope: "row", textContent: name }), make("td", { textContent: one }), make("td", { textContent: other }),
      make("td", { textContent: one === other ? "same" : "differs" }));
  const both = (/** @type {(read: any) => string} */ text) => /** @type {[string, string]} */ ([text(theirs), text(yours)]);
  const table = make("table", { className: "both" },
    make("caption", { textContent: `${theirs.reader} saved this foot ${moment(theirs.when)}, after you opened it.` }),
    make("thead", {}, make("tr", {}, make("th", { scope: "col", textContent: "What" }), make("th", { scope: "col", textContent: `${theirs.reader}, saved` }),
      make("th", { scope: "col", textContent: "You, not saved" }), make("th", { scope: "col", textContent: "Comparison" }))),
    make("tbody", {},
      row("Verdict", ...both((read) => VERDICTS[read.verdict] ?? read.verdict)),
      row("Called", ...both((read) => footName(read.side))),
      row("Construction", ...both((read) => session.constructions.find((one) => one.name === read.construction)?.title ?? read.construction ?? "–")),
      ...session.measures.map((measure) => row(measure.abbreviation, ...both((read) => numberOf(read, measure)))),
      row("Points changed by hand", ...both((read) => (read.anew ? "all placed anew: " : "") + counted(read.points?.length ?? 0, "point"))),
      row("Reason", ...both((read) => read.reason || "–")),
      row("Note", ...both((read) => read.note || "–"))));
  return ask({
    title: "Two reads of the same foot",
    wide: true,
    body: [
      table,
      make("p", { textContent: "Nothing is lost whatever you choose. If you look at theirs, it is shown whole, and Undo brings yours back, whole: points, numbers, side, construction and note. If you save yours over it, theirs stays in the history." }),
    ],
    choices: [
      { text: "Look at theirs", value: "theirs", main: true },
      { text: "Save mine over theirs", value: "mine" },
      { text: "Go on with mine, unsaved", value: null },
    ],
  });
}

/** A number, or why there is none. @param {any} read @param {import("./types.js").Measure} measure */
function numberOf(read, measure) {
  const value = read.values?.[measure.name]?.value;
  const [withheld, accepted] = [read.withheld?.[measure.name], read.accepted?.[measure.name]];
  if (withheld) return `withheld: ${withheld.replaceAll("_", " ")}`;
  return amount(value, measure.unit) + (accepted ? ` (withheld, accepted by ${accepted.by})` : "");
}
