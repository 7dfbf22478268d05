import { announce } from "./announcer.js";
import { api, ApiError } from "./api.js";
import { make, refill } from "./dom.js";
import { listen } from "./keys.js";
import { kindWords, reasonWords } from "./reason_words.js";
import { RowPlaces } from "./row_places.js";
import { DECISIONS, STATES, amount, counted, footName, range } from "./words.js";

/**
 * All feet of the run, or of a reader's study, with filters; apart from them the files without a foot. Only the rows in
 * sight exist; pages of rows are fetched as they come into sight. One row at a time can be unfolded.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 * @typedef {{name: string, title: string, sort?: string, number?: boolean, cell: (foot: WorklistFoot, index: number) => Node|string}} Column
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
/** What is listed, and how it is called. */
const LISTS = {
  foot: { text: "Feet", one: "foot", many: "feet", none: "No foot passes these filters.", first: "Start with the first open foot" },
  none: { text: "Files without a foot", one: "file without a foot", many: "files without a foot", none: "No file without a foot passes these filters.", first: "Start with the first open file" },
  read: { text: "Reads", one: "read", many: "reads", none: "There is nothing to read.", first: "Go on reading" },
};

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
    const { filters } = app;
    /** @type {keyof typeof LISTS} */
    this.list = this.blind ? "read" : filters.found ?? "foot";
    this.places = new RowPlaces(ROW);
    /** @type {Column[]} */
    this.columns = [];
    /** @type {any[]} */
    this.heads = [];
    this.sort = filters.sort ?? "doubt";
    this.descending = filters.descending ?? false;
    const changed = () => void this.load();
    const select = (/** @type {string} */ name, /** @type {string} */ label) => {
      const field = make("select", { id: `filter-${name}`, name, onchange: changed, data: { wanted: filters[name] ?? "" } });
      return { field, element: make("div", { className: "filter" }, make("label", { for: `filter-${name}`, textContent: label }), field) };
    };
    this.selects = { state: select("state", "State"), decision: select("decision", "Model says"), reason: select("reason", "Reason"), side: select("side", "Side") };
    this.order = make("select", { id: "order", onchange: () => this.#sortBy(this.order.value) });
    this.lists = new Map(/** @type {("foot"|"none")[]} */ (["foot", "none"]).map((list) =>
      [list, make("button", { type: "button", "aria-pressed": String(list === this.list), data: { list }, onclick: () => this.#show(list) })]));
    let typing = 0;
    this.text = make("input", { id: "filter-text", type: "search", value: filters.text ?? "", autocomplete: "off", oninput: () => {
      clearTimeout(typing);
      typing = window.setTimeout(changed, TYPING);
    } });
    this.heading = make("h1", { tabIndex: -1, textContent: this.blind ? "Your reads" : "Worklist" });
    this.found = make("p", { className: "found", role: "status" });
    this.body = make("tbody");
    this.titles = make("tr", { "aria-rowindex": "1" });
    this.table = make("table", { "aria-label": "Feet" }, make("thead", {}, this.titles), this.body);
    this.scroll = make("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "List; up and down mark a row, right shows all its reasons, Enter opens it", onscroll: () => this.#draw() }, this.table);
    this.start = make("button", { type: "button", className: "main", id: "first-open", onclick: () => this.openFirst() });
    this.element = this.#build();
    this.#lay();
    this.resizing = new ResizeObserver(() => this.#draw());
    this.resizing.observe(this.scroll);
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
      unfold: () => this.#unfold(this.current),
      fold: () => this.#unfold(null),
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
    this.resizing.disconnect();
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
    this.places.fold();
    this.#counts(answer.counts);
    this.scroll.scrollTop = 0;
    const last = answer.feet.findIndex((/** @type {WorklistFoot} */ foot) => foot.id === this.app.last);
    this.current = Math.max(last, 0);
    const { one, many, none } = LISTS[this.list];
    this.found.textContent = this.total ? counted(this.total, one, many) : none;
    this.table.setAttribute("aria-rowcount", String(this.total + 1));
    if (last > 0) this.#reveal();
    this.#draw();
    performance.measure("worklist visible", { start: began, end: performance.now() });
  }

  /** Go to the first foot that is still open and that nobody else has in hands, by the filters as they are. */
  async openFirst() {
    /** @type {Set<string>} */
    const others = new Set();
    // A study keeps its order and knows no filters: its pages are looked through.
    for (let offset = 0, total = 1; offset < total;) {
      const answer = await api.feet({ ...this.app.filters, state: "open", offset, limit: PAGE });
      const open = answer.feet.filter((/** @type {WorklistFoot} */ foot) => foot.state === "open");
      const first = open.find((/** @type {WorklistFoot} */ foot) => !this.#other(foot));
      for (const foot of open) if (this.#other(foot)) others.add(foot.claimed_by ?? "");
      if (first) {
        await this.app.go(`#/foot/${first.id}`);
        return;
      }
      total = answer.total;
      offset += PAGE;
    }
    const { one } = LISTS[this.list];
    const words = others.size ? `Every open ${one} is in the hands of ${[...others].sort().join(", ")}. Try again later, or open one to look at it.`
      : `No ${one} is open any more.${this.list === "foot" && !this.blind ? " Show all to see whether a filter leaves some out." : ""}`;
    announce(words);
    this.found.textContent = words;
  }

  /** Who else has a foot in hands. @param {WorklistFoot} foot */
  #other(foot) {
    return foot.claimed_by && foot.claimed_by !== this.session.reader ? foot.claimed_by : null;
  }

  // --- building -----------------------------------------------------------------------------------------------

  /** @returns {Column[]} */
  #columns() {
    const state = { name: "state", title: "State", cell: (/** @type {WorklistFoot} */ foot) => {
      const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
      const other = this.#other(foot);
      return make("div", {}, make("span", { className: `badge ${foot.state}`, textContent: `${sign} ${text}` }), other ? make("span", { className: "held", textContent: `with ${other}` }) : null);
    } };
    const link = (/** @type {WorklistFoot} */ foot, /** @type {string} */ text) => make("a", { href: `#/foot/${foot.id}`, tabIndex: -1, textContent: text, title: text });
    if (this.blind) {
      return [state, { name: "film", title: "Read", cell: (foot) => link(foot, `Read ${foot.id}`) }, { name: "foot", title: "Foot", cell: (foot) => footName(foot.foot) }];
    }
    const why = { name: "reasons", title: "Reasons", cell: (/** @type {WorklistFoot} */ foot, /** @type {number} */ index) => this.#why(foot, index) };
    if (this.list === "none") return [state, { name: "film", title: "File", sort: "film", cell: (foot) => link(foot, foot.film ?? "") }, why];
    return [
      state,
      { name: "film", title: "Film", sort: "film", cell: (foot) => link(foot, foot.film ?? "") },
      { name: "foot", title: "Foot", cell: (foot) => (foot.foot ? footName(foot.foot).replace(" foot", "") : "–") },
      { name: "decision", title: "Model says", sort: "doubt", cell: (foot) => {
        const { sign, text } = DECISIONS[foot.decision ?? ""] ?? { sign: "", text: foot.decision };
        return make("span", { className: `decision ${foot.decision}`, textContent: `${sign} ${text}` });
      } },
      ...this.session.measures.slice(0, MEASURES).map((measure) => ({ name: measure.name, title: measure.abbreviation, sort: measure.name, number: true,
        cell: (/** @type {WorklistFoot} */ foot) => {
          const found = foot.values?.[measure.name];
          if (!found || found.value === null) return "–";
          return amount(found.value, measure.unit);
        } })),
      why,
      { name: "widest", title: "Widest interval", sort: "width", number: true, cell: (foot) => amount(foot.widest, "deg") },
      { name: "border", title: "Nearest grade border", sort: "border", number: true, cell: (foot) => (foot.border === null || foot.border === undefined ? "–"
        : make("div", {}, amount(foot.border, "deg"), foot.borderline ? make("span", { className: "crossed", textContent: "interval crosses it" }) : null)) },
    ];
  }

  /** The reasons, as far as they fit; a click or tap unfolds the row. @param {WorklistFoot} foot @param {number} index */
  #why(foot, index) {
    const words = (foot.reasons ?? []).map(reasonWords).join("; ");
    const unfolded = this.places.unfolded === index;
    return make("button", { type: "button", className: "why", tabIndex: -1, "aria-expanded": String(unfolded), onclick: (/** @type {Event} */ event) => {
      event.stopPropagation();
      this.#mark(index);
      this.#unfold(unfolded ? null : index);
    } }, make("span", { className: "fits", textContent: words || "Details" }));
  }

  /** All of a row that does not fit into it. @param {WorklistFoot} foot */
  #details(foot) {
    const reasons = (foot.reasons ?? []).map(reasonWords);
    const numbers = this.session.measures.flatMap((measure) => {
      const found = foot.values?.[measure.name];
      return !found || found.value === null ? [] : [`${measure.abbreviation} ${amount(found.value, measure.unit)} (${range(found, measure.unit)})`];
    });
    if (numbers.length) numbers.push(`widest interval ${amount(foot.widest, "deg")}`);
    if (typeof foot.border === "number") numbers.push(`nearest grade border ${amount(foot.border, "deg")} away${foot.borderline ? ", an interval crosses it" : ""}`);
    const other = this.#other(foot);
    return make("td", { colSpan: this.#width() }, make("div", {},
      make("p", {}, make("strong", { textContent: foot.film ?? `Read ${foot.id}` }), foot.foot ? `, ${footName(foot.foot).toLowerCase()}` : ", no foot found", other ? `, in the hands of ${other}` : ""),
      reasons.length ? make("ul", {}, ...reasons.map((text) => make("li", { textContent: text }))) : null,
      numbers.length ? make("p", { textContent: numbers.join(" · ") }) : null,
      reasons.length || numbers.length ? null : make("p", { textContent: "There is nothing more." })));
  }

  /** How many columns the screen has room for. */
  #width() {
    return this.heads.filter((head) => getComputedStyle(head).display !== "none").length || 1;
  }

  /** Columns and choices of the list that is shown. */
  #lay() {
    this.columns = this.#columns();
    this.heads = this.columns.map((column) => this.#head(column));
    refill(this.titles, ...this.heads);
    this.table.className = { foot: "feet", none: "feet files", read: "feet blind" }[this.list];
    this.table.setAttribute("aria-label", LISTS[this.list].text);
    this.start.textContent = LISTS[this.list].first;
    for (const [list, button] of this.lists) button.setAttribute("aria-pressed", String(list === this.list));
    const orders = this.list === "none" ? [["doubt", "As they come"], ["film", "File name"]]
      : [["doubt", "What needs a person first"], ["film", "Film name"], ...this.session.measures.slice(0, MEASURES).map((measure) => [measure.name, measure.abbreviation]),
        ["width", "Widest interval first"], ["border", "Nearest grade border first"]];
    refill(this.order, ...orders.map(([value, textContent]) => make("option", { value, textContent })));
    for (const name of /** @type {const} */ (["decision", "side"])) this.selects[name].element.hidden = this.list === "none";
  }

  /** @param {"foot"|"none"} list */
  #show(list) {
    if (list === this.list) return;
    this.list = list;
    this.sort = "doubt";
    this.descending = false;
    // No row of the one list stands under the titles of the other.
    this.total = 0;
    this.pages.clear();
    this.#lay();
    this.#draw();
    this.#clear();
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
      if (!row || target.closest("a, button")) return;
      this.#mark(Number(row.dataset.index));
      this.#openCurrent();
    });
    return make("div", { className: "worklist" },
      make("div", { className: "worklist-head" }, this.heading,
        this.blind ? null : make("div", { className: "lists", role: "group", "aria-label": "What is listed" }, ...this.lists.values()), this.found, this.start),
      this.blind ? null : make("search", { className: "filters" },
        ...Object.values(this.selects).map((one) => one.element),
        make("div", { className: "filter" }, make("label", { for: "filter-text", textContent: "Film name holds" }), this.text),
        make("div", { className: "filter" }, make("label", { for: "order", textContent: "Order" }), this.order),
        make("button", { type: "button", className: "quiet", textContent: "Show all", onclick: () => this.#clear() })),
      this.scroll);
  }

  #filters() {
    const chosen = Object.fromEntries(Object.entries(this.selects).map(([name, { field }]) => [name, field.options.length ? field.value : field.dataset.wanted]));
    return this.blind ? {} : { sort: this.sort, descending: this.descending, ...chosen, text: this.text.value.trim(), found: this.list };
  }

  /** Choices of the filters with the number of feet that each would leave. @param {Record<string, Record<string, number>>} counts */
  #counts(counts) {
    for (const [name, { field }] of Object.entries(this.selects)) {
      const wanted = field.options.length ? field.value : field.dataset.wanted;
      const words = (/** @type {string} */ value) => ({ state: STATES, decision: DECISIONS }[name]?.[value]?.text ?? (name === "side" ? footName(value).toLowerCase() : kindWords(value, this.session.reason_kinds)));
      const given = Object.entries(counts[name] ?? {}).filter(([value, count]) => value !== "" && (count > 0 || value === wanted));
      refill(field, make("option", { value: "", textContent: "All" }), ...given.map(([value, count]) => make("option", { value, textContent: `${words(value)} (${count.toLocaleString("en")})` })));
      field.value = wanted;
    }
    for (const [list, button] of this.lists) button.textContent = `${LISTS[list].text} (${(counts.found?.[list] ?? 0).toLocaleString("en")})`;
    this.order.value = this.sort;
    for (const [k, column] of this.columns.entries()) {
      if (!column.sort) continue;
      const sorted = column.sort === this.sort;
      // The widest interval comes first unless asked otherwise.
      const down = this.descending !== (this.sort === "width");
      this.heads[k].setAttribute("aria-sort", sorted ? (down ? "descending" : "ascending") : "none");
      this.heads[k].querySelector(".order").textContent = sorted ? (down ? " ↓" : " ↑") : "";
    }
  }

  /** Without filters. */
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
    const { scrollTop, clientHeight } = this.scroll;
    const { places } = this;
    const first = Math.max(0, places.at(scrollTop) - SPARE);
    const last = Math.min(this.total, Math.max(places.at(scrollTop + clientHeight), first) + SPARE + 1);
    const rows = [];
    let details = /** @type {any} */ (null);
    for (let index = first; index < last; index++) {
      rows.push(this.#row(index));
      const foot = index === places.unfolded ? this.#foot(index) : null;
      if (foot) rows.push(details = make("tr", { className: "details" }, this.#details(foot)));
    }
    const spacer = (/** @type {number} */ height) => {
      if (!height) return null;
      const cell = make("td", { colSpan: this.#width() });
      cell.style.height = `${height}px`;
      return make("tr", { className: "spacer", role: "presentation", "aria-hidden": "true" }, cell);
    };
    refill(this.body, spacer(places.top(first)), ...rows, spacer(places.top(this.total) - places.top(last)));
    if (details && places.measured(details.offsetHeight)) this.#draw();
  }

  /** @param {number|null} index */
  #unfold(index) {
    if (index === null ? this.places.unfolded === null : index >= this.total || this.blind) return false;
    if (index === null) this.places.fold();
    else this.places.unfold(index);
    this.#draw();
    if (index !== null) this.#reveal();
    return true;
  }

  /** @param {number} index */
  #row(index) {
    const foot = this.#foot(index);
    const row = make("tr", { className: index === this.current ? "current" : "", "aria-rowindex": String(index + 2), data: { index } });
    if (index === this.current) row.setAttribute("aria-current", "true");
    if (!foot) {
      row.append(make("td", { colSpan: this.#width(), className: "waiting", textContent: "…" }));
      return row;
    }
    row.append(...this.columns.map((column) => {
      const cell = make(column.name === "film" ? "th" : "td", { className: column.number ? "number" : "", data: { column: column.name } }, column.cell(foot, index));
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
      const other = this.#other(foot);
      announce([foot.film ?? `Read ${foot.id}`, foot.foot ? footName(foot.foot) : "no foot found", STATES[foot.state]?.text, ...(other ? [`with ${other}`] : []),
        ...(this.list === "foot" ? values : []), ...(foot.reasons ?? []).map(reasonWords)].join(", "), 150);
    }
  }

  #reveal() {
    const head = this.table.tHead.offsetHeight;
    const top = this.places.top(this.current);
    const bottom = this.places.top(this.current + 1);
    const { scrollTop, clientHeight } = this.scroll;
    if (top < scrollTop) this.scroll.scrollTop = top;
    else if (bottom > scrollTop + clientHeight - head) this.scroll.scrollTop = Math.min(top, bottom - clientHeight + head);
  }

  #openCurrent() {
    const foot = this.#foot(this.current);
    if (foot) this.app.go(`#/foot/${foot.id}`);
  }
}
