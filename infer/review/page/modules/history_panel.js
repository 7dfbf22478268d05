import { make, refill } from "./dom.js";
import { VERDICTS, amount, counted, footName, moment, spaced } from "./words.js";

/** Everything that was ever decided on a foot, the latest first; nothing in it can be changed. */
export class HistoryPanel {
  /** @param {import("./types.js").Session} session */
  constructor(session) {
    this.session = session;
    this.summary = make("summary", { textContent: "History" });
    this.list = make("ol", { className: "history", reversed: true });
    this.element = make("details", { className: "history-panel" }, this.summary, this.list);
  }

  /** @param {any[]} history what led to what stands @param {any[]} earlier reads of earlier runs that do not stand */
  update(history, earlier = []) {
    const all = [...earlier, ...history];
    this.summary.textContent = all.length ? `History (${counted(all.length, "entry", "entries")})` : "History (nothing decided yet)";
    refill(this.list, ...all.reverse().map((entry) => this.#entry(entry)));
  }

  /** @param {any} entry */
  #entry({ when, reader, verdict, reason, note, remark, before, after, run, outcome }) {
    const numbers = this.session.measures.flatMap((measure) => {
      const [was, is] = [before, after].map((side) => valueOf(side, measure.name));
      return was === undefined || is === undefined || was === is ? [] : [`${measure.abbreviation} ${amount(was, measure.unit)} → ${amount(is, measure.unit)}`];
    });
    const moved = movedPoints(before, after);
    const named = before?.side !== after?.side ? `${footName(before?.side)} → ${footName(after?.side)}` : "";
    const anew = after?.anew && !before?.anew ? "points to be placed anew" : "";
    const taken = this.session.measures.flatMap(({ name, abbreviation }) => {
      const one = after?.accepted?.[name];
      return one ? [`${abbreviation} accepted by ${one.by}, withheld${one.by_run === false ? "" : " by the run"}: ${spaced(one.cause)}`] : [];
    });
    return make("li", {},
      make("p", {}, make("strong", { textContent: VERDICTS[verdict] ?? verdict }), ` by ${reader}, `, make("time", { dateTime: when, textContent: moment(when) })),
      run ? make("p", { className: outcome ? "missing" : "hint", textContent: outcome ? `Does not stand: read on an earlier run of this film (${run}; ${outcome}).` : `Read on an earlier run of this film (${run}), whose points were the same.` }) : null,
      reason ? make("p", { textContent: `Reason: ${reason}` }) : null,
      note ? make("p", { className: "quote", textContent: note }) : null,
      remark ? make("p", { className: "missing", textContent: remark }) : null,
      ...taken.map((text) => make("p", { textContent: text })),
      [named, anew, ...numbers, moved].some(Boolean) ? make("p", { className: "hint", textContent: [named, anew, ...numbers, moved ? `${counted(moved, "point")} changed` : ""].filter(Boolean).join(" · ") }) : null);
  }
}

/** @param {any} side @param {string} name @returns {number|null|undefined} */
function valueOf(side, name) {
  return side?.values?.[name]?.value;
}

/** Points that stand otherwise after than before; both sides list those that are not as the model left them. @param {any} before @param {any} after */
function movedPoints(before, after) {
  const [was, is] = [before, after].map((side) => new Map((side?.points ?? []).map((/** @type {any} */ point) => [point.code, JSON.stringify(point)])));
  return [...new Set([...was.keys(), ...is.keys()])].filter((code) => was.get(code) !== is.get(code)).length;
}
