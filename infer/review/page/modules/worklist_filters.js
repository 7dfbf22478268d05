import { make, refill } from "./dom.js";
import { kindWords } from "./reason_words.js";
import { DECISIONS, STATES, footName } from "./words.js";

/**
 * Which rows of the worklist are shown, and in which order.
 *
 * @typedef {"state"|"decision"|"reason"|"side"} Choice
 */

/** Wait for the next letter, ms. */
const TYPING = 200;
/** Measures that get a column, and an order, of their own. */
export const MEASURES = 2;

export class WorklistFilters {
  /** @param {import("./types.js").Session} session @param {Record<string, any>} chosen as it was left last @param {() => void} changed */
  constructor(session, chosen, changed) {
    this.session = session;
    this.changed = changed;
    this.sort = chosen.sort ?? "doubt";
    this.descending = chosen.descending ?? false;
    const select = (/** @type {Choice} */ name, /** @type {string} */ label) => {
      const field = make("select", { id: `filter-${name}`, name, onchange: changed, data: { wanted: chosen[name] ?? "" } });
      return { field, element: make("div", { className: "filter" }, make("label", { for: `filter-${name}`, textContent: label }), field) };
    };
    this.selects = { state: select("state", "State"), decision: select("decision", "Model says"), reason: select("reason", "Reason"), side: select("side", "Side") };
    this.order = make("select", { id: "order", onchange: () => this.sortBy(this.order.value) });
    let typing = 0;
    this.text = make("input", { id: "filter-text", type: "search", value: chosen.text ?? "", autocomplete: "off", oninput: () => {
      clearTimeout(typing);
      typing = window.setTimeout(changed, TYPING);
    } });
    this.element = make("search", { className: "filters" },
      ...Object.values(this.selects).map((one) => one.element),
      make("div", { className: "filter" }, make("label", { for: "filter-text", textContent: "Film name holds" }), this.text),
      make("div", { className: "filter" }, make("label", { for: "order", textContent: "Order" }), this.order),
      make("button", { type: "button", className: "quiet", textContent: "Show all", onclick: () => this.clear() }));
  }

  /** As the server takes it. @returns {Record<string, any>} */
  get wanted() {
    const chosen = Object.fromEntries(Object.entries(this.selects).map(([name, one]) => [name, this.#wanted(one.field)]));
    return { sort: this.sort, descending: this.descending, ...chosen, text: this.text.value.trim() };
  }

  /** Which way the present order runs: the widest interval comes first unless asked otherwise. */
  get down() {
    return this.descending !== (this.sort === "width");
  }

  /** Orders and choices that a list has. @param {boolean} files of files without a foot, which have neither side nor number */
  lay(files) {
    const orders = files ? [["doubt", "As they come"], ["film", "File name"]]
      : [["doubt", "What needs a person first"], ["film", "Film name"], ...this.session.measures.slice(0, MEASURES).map((measure) => [measure.name, measure.abbreviation]),
        ["width", "Widest interval first"], ["border", "Nearest grade border first"]];
    refill(this.order, ...orders.map(([value, textContent]) => make("option", { value, textContent })));
    for (const name of /** @type {const} */ (["decision", "side"])) this.selects[name].element.hidden = files;
  }

  /** Choices with the number of feet that each would leave. @param {Record<string, Record<string, number>>} counts */
  update(counts) {
    for (const [name, { field }] of /** @type {[Choice, {field: any}][]} */ (Object.entries(this.selects))) {
      const wanted = this.#wanted(field);
      const given = Object.entries(counts[name] ?? {}).filter(([value, count]) => value !== "" && (count > 0 || value === wanted));
      refill(field, make("option", { value: "", textContent: "All" }), ...given.map(([value, count]) => make("option", { value, textContent: `${this.#words(name, value)} (${count.toLocaleString("en")})` })));
      field.value = wanted;
    }
    this.order.value = this.sort;
  }

  /** Without filters. */
  clear() {
    for (const { field } of Object.values(this.selects)) field.value = "";
    this.text.value = "";
    this.changed();
  }

  /** By another order, or the same one turned round. @param {string} sort */
  sortBy(sort) {
    this.descending = this.sort === sort ? !this.descending : false;
    this.sort = sort;
    this.changed();
  }

  /** The order of a list that nobody sorted. */
  unsorted() {
    this.sort = "doubt";
    this.descending = false;
  }

  /** What a field says; before its choices have come, what was chosen last. @param {any} field */
  #wanted(field) {
    return field.options.length ? field.value : field.dataset.wanted;
  }

  /** @param {Choice} name @param {string} value */
  #words(name, value) {
    if (name === "side") return footName(value).toLowerCase();
    if (name === "reason") return kindWords(value, this.session.reason_kinds);
    return { state: STATES, decision: DECISIONS }[name][value]?.text ?? value;
  }
}
