import { announce } from "./announcer.js";
import { api, ApiError } from "./api.js";
import { make, refill } from "./dom.js";
import { listen } from "./keys.js";
import { DECISIONS, STATES, amount, counted, footName, range } from "./words.js";

/**
 * All feet of the run, or of a reader's study, with filters. Only the rows in sight exist; pages of rows are fetched
 * as they come into sight.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 * @typedef {{name: string, title: string, sort?: string, number?: boolean, cell: (foot: WorklistFoot) => Node|string}} Column
 */

const PAGE = 100;
/** Pages kept: more is fetched again. */
const KEPT = 40;
const ROW = 44;
/** Rows made beyond what is in sight, above and below. */
const SPARE = 8;
/** Measures that get a column of their own. */
const MEASURES = 2;
const TYPING = 200;

export class Worklist {
  /** @param {import("./app.js").App} app */
  constructor(app) {
    this.app = app;
    this.session = app.session;
    this.blind = this.session.study !== null;
    this.total = 0;
    this.current = 0;
    /** @type {Map<number, WorklistFoot[]|null>} null while it is fetched */
    this.pages = new Map();
    this.asked = 0;
    this.columns = this.#columns();
    const { filters } = app;
    this.sort = filters.sort ?? "doubt";
    this.descending = filters.descending ?? false;
    const changed = () => void this.load();
    const select = (/** @type {string} */ name, /** @type {string} */ label) => {
      const field = make("select", { id: `filter-${name}`, name, onchange: changed, data: { wanted: filters[name] ?? "" } });
      return { field, element: make("div", { className: "filter" }, make("label", { for: `filter-${name}`, textContent: label }), field) };
    };
    this.selects = { state: select("state", "State"), decision: select("decision", "Model"), reason: select("reason", "Reason"), side: select("side", "Side") };
    let typing = 0;
    this.text = make("input", { id: "filter-text", type: "search", value: filters.text ?? "", autocomplete: "off", oninput: () => {
      clearTimeout(typing);
      typing = window.setTimeout(changed, TYPING);
    } });
    this.heading = make("h1", { tabIndex: -1, textContent: this.blind ? "Your reads" : "Worklist" });
    this.found = make("p", { className: "found", role: "status" });
    this.body = make("tbody");
    this.heads = this.columns.map((column) => this.#head(column));
    this.table = make("table", { className: this.blind ? "feet blind" : "feet", "aria-label": "Feet" }, make("thead", {}, make("tr", { "aria-rowindex": "1" }, ...this.heads)), this.body);
    this.scroll = make("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "List of feet; arrow keys mark a row, Enter opens it", onscroll: () => this.#draw() }, this.table);
    this.element = this.#build();
  }

  /** @param {HTMLElement} main */
  async open(main) {
    refill(main, this.element);
    document.title = `${this.heading.textContent} – Raysplay review`;
    this.stopKeys = listen("worklist", {
      rowDown: (event) => this.#key(event, 1),
      rowUp: (event) => this.#key(event, -1),
      pageDown: (event) => this.#key(event, this.#inSight()),
      pageUp: (event) => this.#key(event, -this.#inSight()),
      rowFirst: (event) => this.#key(event, -Infinity),
      rowLast: (event) => this.#key(event, Infinity),
      openRow: () => this.#openCurrent(),
      openFirst: () => void this.openFirst(),
      search: () => this.text.focus(),
    });
    await this.load();
    if (!this.stopped && document.activeElement === document.body) this.heading.focus({ preventScroll: true });
  }

  async leave() {
    return true;
  }

  close() {
    this.stopped = true;
    this.stopKeys?.();
  }

  /** Fetch from the start by the filters as they are. */
  async load() {
    const asked = ++this.asked;
    const began = performance.now();
    this.app.filters = this.#filters();
    const answer = await api.feet({ offset: 0, limit: PAGE, ...this.app.filters });
    if (asked !== this.asked || this.stopped) return;
    this.pages.clear();
    this.pages.set(0, answer.feet);
    this.total = answer.total;
    this.#counts(answer.counts);
    this.scroll.scrollTop = 0;
    const last = answer.feet.findIndex((/** @type {WorklistFoot} */ foot) => foot.id === this.app.last);
    this.current = Math.max(last, 0);
    this.found.textContent = this.total ? counted(this.total, "foot", "feet") : "No foot passes these filters.";
    this.table.setAttribute("aria-rowcount", String(this.total + 1));
    if (last > 0) this.#reveal();
    this.#draw();
    performance.measure("worklist visible", { start: began, end: performance.now() });
  }

  /** Go to the first foot that is still open, by the filters as they are. */
  async openFirst() {
    // A study keeps its order and knows no filters: its pages are looked through.
    for (let offset = 0, total = 1; offset < total;) {
      const answer = await api.feet({ ...this.app.filters, state: "open", offset, limit: PAGE });
      const first = answer.feet.find((/** @type {WorklistFoot} */ foot) => foot.state === "open");
      if (first) {
        await this.app.go(`#/foot/${first.id}`);
        return;
      }
      total = answer.total;
      offset += PAGE;
    }
    announce("No foot is open any more.");
    this.found.textContent = "No foot is open any more.";
  }

  // --- building -----------------------------------------------------------------------------------------------

  /** @returns {Column[]} */
  #columns() {
    const state = { name: "state", title: "State", cell: (/** @type {WorklistFoot} */ foot) => {
      const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
      return make("span", { className: `badge ${foot.state}`, textContent: `${sign} ${text}` });
    } };
    const link = (/** @type {WorklistFoot} */ foot, /** @type {string} */ text) => make("a", { href: `#/foot/${foot.id}`, tabIndex: -1, textContent: text, title: text });
    if (this.blind) {
      return [state, { name: "film", title: "Read", cell: (foot) => link(foot, `Read ${foot.id}`) }, { name: "foot", title: "Foot", cell: (foot) => footName(foot.foot) }];
    }
    return [
      state,
      { name: "film", title: "Film", sort: "film", cell: (foot) => link(foot, foot.film ?? "") },
      { name: "foot", title: "Foot", cell: (foot) => (foot.foot ? footName(foot.foot).replace(" foot", "") : "–") },
      { name: "decision", title: "Model", sort: "doubt", cell: (foot) => {
        const { sign, text } = DECISIONS[foot.decision ?? ""] ?? { sign: "", text: foot.decision };
        return make("span", { className: `decision ${foot.decision}`, textContent: `${sign} ${text}` });
      } },
      { name: "reasons", title: "Why", cell: (foot) => make("span", { className: "why", title: (foot.reasons ?? []).join("\n"), textContent: (foot.reasons ?? []).join("; ") }) },
      ...this.session.measures.slice(0, MEASURES).map((measure) => ({ name: measure.name, title: measure.abbreviation, sort: measure.name, number: true,
        cell: (/** @type {WorklistFoot} */ foot) => {
          const found = foot.values?.[measure.name];
          if (!found || found.value === null) return "–";
          return make("span", { title: `${measure.title}: ${range(found, measure.unit)}`, textContent: amount(found.value, measure.unit) });
        } })),
      { name: "widest", title: "Widest", sort: "width", number: true, cell: (foot) => amount(foot.widest, "deg") },
      { name: "border", title: "Border", sort: "border", number: true, cell: (foot) => (foot.border === null || foot.border === undefined ? "–"
        : make("span", { textContent: `${foot.borderline ? "≈ " : ""}${amount(foot.border, "deg")}`, title: foot.borderline ? "The interval crosses the border of a grade" : "Distance to the nearest border of a grade" })) },
      { name: "reader", title: "With", cell: (foot) => foot.claimed_by ?? "" },
    ];
  }

  /** @param {Column} column */
  #head(column) {
    const head = make("th", { scope: "col", className: column.number ? "number" : "", data: { column: column.name } });
    const { sort } = column;
    if (sort) head.append(make("button", { type: "button", onclick: () => this.#sortBy(sort) }, column.title, make("span", { className: "order", "aria-hidden": "true" })));
    else head.append(column.title);
    return head;
  }

  #build() {
    this.body.addEventListener("click", (/** @type {MouseEvent} */ event) => {
      const target = /** @type {HTMLElement} */ (event.target);
      const row = /** @type {HTMLElement|null} */ (target.closest("tr[data-index]"));
      if (!row || target.closest("a")) return;
      this.#mark(Number(row.dataset.index));
      this.#openCurrent();
    });
    return make("div", { className: "worklist" },
      make("div", { className: "worklist-head" }, this.heading, this.found,
        make("button", { type: "button", className: "main", id: "first-open", textContent: this.blind ? "Go on reading" : "Start with the first open foot", onclick: () => this.openFirst() })),
      this.blind ? null : make("search", { className: "filters" },
        ...Object.values(this.selects).map((one) => one.element),
        make("div", { className: "filter" }, make("label", { for: "filter-text", textContent: "Film name holds" }), this.text),
        make("button", { type: "button", className: "quiet", textContent: "Show all", onclick: () => this.#clear() })),
      this.scroll);
  }

  #filters() {
    const chosen = Object.fromEntries(Object.entries(this.selects).map(([name, { field }]) => [name, field.options.length ? field.value : field.dataset.wanted]));
    return this.blind ? {} : { sort: this.sort, descending: this.descending, ...chosen, text: this.text.value.trim() };
  }

  /** Choices of the filters with the number of feet that each would leave. @param {Record<string, Record<string, number>>} counts */
  #counts(counts) {
    for (const [name, { field }] of Object.entries(this.selects)) {
      const wanted = field.options.length ? field.value : field.dataset.wanted;
      const words = (/** @type {string} */ value) => ({ state: STATES, decision: DECISIONS }[name]?.[value]?.text ?? (name === "side" ? footName(value).toLowerCase() : value));
      const given = Object.entries(counts[name] ?? {}).filter(([value, count]) => value !== "" && (count > 0 || value === wanted));
      refill(field, make("option", { value: "", textContent: "All" }), ...given.map(([value, count]) => make("option", { value, textContent: `${words(value)} (${count.toLocaleString("en")})` })));
      field.value = wanted;
    }
    for (const [k, column] of this.columns.entries()) {
      if (!column.sort) continue;
      const sorted = column.sort === this.sort;
      // The widest interval comes first unless asked otherwise.
      const down = this.descending !== (this.sort === "width");
      this.heads[k].setAttribute("aria-sort", sorted ? (down ? "descending" : "ascending") : "none");
      this.heads[k].querySelector(".order").textContent = sorted ? (down ? " ↓" : " ↑") : "";
    }
  }

  #clear() {
    for (const { field } of Object.values(this.selects)) field.value = "";
    this.text.value = "";
    this.load();
  }

  /** @param {string} sort */
  #sortBy(sort) {
    this.descending = this.sort === sort ? !this.descending : false;
    this.sort = sort;
    this.load();
  }

  // --- rows ---------------------------------------------------------------------------------------------------

  #inSight() {
    return Math.max(1, Math.floor(this.scroll.clientHeight / ROW) - 1);
  }

  /** Make the rows in sight. */
  #draw() {
    const first = Math.max(0, Math.floor(this.scroll.scrollTop / ROW) - SPARE);
    const last = Math.min(this.total, first + Math.ceil(this.scroll.clientHeight / ROW) + 2 * SPARE + 1);
    const rows = [];
    for (let index = first; index < last; index++) rows.push(this.#row(index));
    const spacer = (/** @type {number} */ count) => {
      if (!count) return null;
      const cell = make("td", { colSpan: this.columns.length });
      cell.style.height = `${count * ROW}px`;
      return make("tr", { className: "spacer", role: "presentation", "aria-hidden": "true" }, cell);
    };
    refill(this.body, spacer(first), ...rows, spacer(this.total - last));
  }

  /** @param {number} index */
  #row(index) {
    const foot = this.#foot(index);
    const row = make("tr", { className: index === this.current ? "current" : "", "aria-rowindex": String(index + 2), data: { index } });
    if (index === this.current) row.setAttribute("aria-current", "true");
    if (!foot) {
      row.append(make("td", { colSpan: this.columns.length, className: "waiting", textContent: "…" }));
      return row;
    }
    row.append(...this.columns.map((column) => {
      const cell = make(column.name === "film" ? "th" : "td", { className: column.number ? "number" : "" }, column.cell(foot));
      if (column.name === "film") cell.setAttribute("scope", "row");
      return cell;
    }));
    return row;
  }

  /** @param {number} index @returns {WorklistFoot|undefined} */
  #foot(index) {
    const page = Math.floor(index / PAGE);
    const rows = this.pages.get(page);
    if (rows === undefined) this.#fetch(page);
    return rows?.[index % PAGE];
  }

  /** @param {number} page */
  async #fetch(page) {
    const asked = this.asked;
    this.pages.set(page, null);
    try {
      // Pages that were only scrolled past are not fetched.
      await new Promise((resolve) => setTimeout(resolve, 60));
      const top = Math.floor(this.scroll.scrollTop / ROW) - 2 * SPARE;
      const bottom = top + Math.ceil(this.scroll.clientHeight / ROW) + 4 * SPARE;
      if (asked !== this.asked || this.stopped) return;
      if ((page + 1) * PAGE < top || page * PAGE > bottom) {
        this.pages.delete(page);
        return;
      }
      const { feet } = await api.feet({ offset: page * PAGE, limit: PAGE, ...this.app.filters });
      if (asked !== this.asked || this.stopped) return;
      this.pages.delete(page);
      this.pages.set(page, feet);
      for (const oldest of this.pages.keys()) {
        if (this.pages.size <= KEPT) break;
        this.pages.delete(oldest);
      }
      this.#draw();
    } catch (error) {
      this.pages.delete(page);
      if (!(error instanceof ApiError)) throw error;
      setTimeout(() => this.#draw(), 2000);
    }
  }

  /** @param {KeyboardEvent} event @param {number} step */
  #key(event, step) {
    if (/** @type {HTMLElement} */ (event.target).closest("button")) return false;
    if (!this.total) return false;
    this.#mark(Math.min(Math.max(this.current + step, 0), this.total - 1));
    return true;
  }

  /** @param {number} index */
  #mark(index) {
    this.current = index;
    this.#reveal();
    this.#draw();
    const foot = this.#foot(index);
    if (foot) {
      const values = this.session.measures.slice(0, 2).map((measure) => `${measure.abbreviation} ${amount(foot.values?.[measure.name]?.value, measure.unit)}`);
      announce([foot.film ?? `Read ${foot.id}`, footName(foot.foot), STATES[foot.state]?.text, ...(this.blind ? [] : values), ...(foot.reasons ?? [])].join(", "), 150);
    }
  }

  #reveal() {
    const head = this.table.tHead.offsetHeight;
    const top = this.current * ROW;
    const { scrollTop, clientHeight } = this.scroll;
    if (top < scrollTop) this.scroll.scrollTop = top;
    else if (top + ROW > scrollTop + clientHeight - head) this.scroll.scrollTop = top + ROW - clientHeight + head;
  }

  #openCurrent() {
    const foot = this.#foot(this.current);
    if (foot) this.app.go(`#/foot/${foot.id}`);
  }
}
