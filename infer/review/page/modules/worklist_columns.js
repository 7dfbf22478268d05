import { make } from "./dom.js";
import { reasonWords } from "./reason_words.js";
import { DECISIONS, STATES, amount, footName, range } from "./words.js";
import { MEASURES } from "./worklist_filters.js";

/**
 * What stands in a row of the worklist, and in its details.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 * @typedef {import("./types.js").Session} Session
 * @typedef {"foot"|"none"|"read"} List feet, files without a foot, or reads of a blind study
 * @typedef {{name: string, title: string, sort?: string, number?: boolean, cell: (foot: WorklistFoot, index: number) => Node|string}} Column
 */

/** Who else has a foot in hands. @param {Session} session @param {WorklistFoot} foot */
export function otherReader(session, foot) {
  return foot.claimed_by && foot.claimed_by !== session.reader ? foot.claimed_by : null;
}

/** @param {Session} session @param {List} list @param {(foot: WorklistFoot, index: number) => Node} why cell with the reasons @returns {Column[]} */
export function columnsOf(session, list, why) {
  const state = { name: "state", title: "State", cell: (/** @type {WorklistFoot} */ foot) => {
    const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
    const other = otherReader(session, foot);
    return make("div", {}, make("span", { className: `badge ${foot.state}`, textContent: `${sign} ${text}` }), other ? make("span", { className: "held", textContent: `with ${other}` }) : null);
  } };
  const link = (/** @type {WorklistFoot} */ foot, /** @type {string} */ text) => make("a", { href: `#/foot/${foot.id}`, tabIndex: -1, textContent: text, title: text });
  if (list === "read") {
    return [state, { name: "film", title: "Read", cell: (foot) => link(foot, `Read ${foot.id}`) }, { name: "foot", title: "Foot", cell: (foot) => footName(foot.foot) }];
  }
  const reasons = { name: "reasons", title: "Reasons", cell: why };
  if (list === "none") return [state, { name: "film", title: "File", sort: "film", cell: (foot) => link(foot, foot.film ?? "") }, reasons];
  return [
    state,
    { name: "film", title: "Film", sort: "film", cell: (foot) => link(foot, foot.film ?? "") },
    { name: "foot", title: "Foot", cell: (foot) => (foot.foot ? footName(foot.foot).replace(" foot", "") : "–") },
    { name: "decision", title: "Model says", sort: "doubt", cell: (foot) => {
      const { sign, text } = DECISIONS[foot.decision ?? ""] ?? { sign: "", text: foot.decision };
      return make("span", { className: `decision ${foot.decision}`, textContent: `${sign} ${text}` });
    } },
    ...session.measures.slice(0, MEASURES).map((measure) => ({ name: measure.name, title: measure.abbreviation, sort: measure.name, number: true,
      cell: (/** @type {WorklistFoot} */ foot) => {
        const found = foot.values?.[measure.name];
        if (!found || found.value === null) return "–";
        return amount(found.value, measure.unit);
      } })),
    reasons,
    { name: "widest", title: "Widest interval", sort: "width", number: true, cell: (foot) => amount(foot.widest, "deg") },
    { name: "border", title: "Nearest grade border", sort: "border", number: true, cell: (foot) => (foot.border === null || foot.border === undefined ? "–"
      : make("div", {}, amount(foot.border, "deg"), foot.borderline ? make("span", { className: "crossed", textContent: "interval crosses it" }) : null)) },
  ];
}

/** All of a row that does not fit into it. @param {Session} session @param {WorklistFoot} foot @param {number} width columns */
export function detailsOf(session, foot, width) {
  const reasons = (foot.reasons ?? []).map(reasonWords);
  const numbers = session.measures.flatMap((measure) => {
    const found = foot.values?.[measure.name];
    return !found || found.value === null ? [] : [`${measure.abbreviation} ${amount(found.value, measure.unit)} (${range(found, measure.unit)})`];
  });
  if (numbers.length) numbers.push(`widest interval ${amount(foot.widest, "deg")}`);
  if (typeof foot.border === "number") numbers.push(`nearest grade border ${amount(foot.border, "deg")} away${foot.borderline ? ", an interval crosses it" : ""}`);
  const other = otherReader(session, foot);
  return make("td", { colSpan: width }, make("div", {},
    make("p", {}, make("strong", { textContent: foot.film ?? `Read ${foot.id}` }), foot.foot ? `, ${footName(foot.foot).toLowerCase()}` : ", no foot found", other ? `, in the hands of ${other}` : ""),
    reasons.length ? make("ul", {}, ...reasons.map((text) => make("li", { textContent: text }))) : null,
    numbers.length ? make("p", { textContent: numbers.join(" · ") }) : null,
    reasons.length || numbers.length ? null : make("p", { textContent: "There is nothing more." })));
}

/** A row in a sentence, for a screen reader. @param {Session} session @param {List} list @param {WorklistFoot} foot */
export function spokenRow(session, list, foot) {
  const values = session.measures.slice(0, MEASURES).map((measure) => `${measure.abbreviation} ${amount(foot.values?.[measure.name]?.value, measure.unit)}`);
  const other = otherReader(session, foot);
  return [foot.film ?? `Read ${foot.id}`, foot.foot ? footName(foot.foot) : "no foot found", STATES[foot.state]?.text, ...(other ? [`with ${other}`] : []),
    ...(list === "foot" ? values : []), ...(foot.reasons ?? []).map(reasonWords)].join(", ");
}
