import { announce } from "./announcer.js";
import { make, refill } from "./dom.js";
import { reasonWords } from "./reason_words.js";
import { RowPages } from "./row_pages.js";
import { RowPlaces } from "./row_places.js";
import { columnsOf, detailsOf, spokenRow } from "./worklist_columns.js";

/**
 * The table of the worklist. Only the rows in sight exist. One row is marked, and one at a time can be unfolded.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 * @typedef {import("./worklist_columns.js").Column} Column
 * @typedef {import("./worklist_columns.js").List} List
 */

const ROW = 44;
/** Rows made beyond what is in sight, above and below. */
const SPARE = 8;

export class WorklistTable {
  /**
   * @param {import("./types.js").Session} session
   * @param {import("./worklist_filters.js").WorklistFilters} filters
   * @param {{rows: (offset: number) => Promise<WorklistFoot[]>, open: (foot: WorklistFoot) => void}} list
   */
  constructor(session, filters, list) {
    this.session = session;
    this.filters = filters;
    this.openRow = list.open;
    /** @type {List} */
    this.list = "foot";
    this.total = 0;
    this.current = 0;
    /** @type {Column[]} */
    this.columns = [];
    /** @type {any[]} */
    this.heads = [];
    this.places = new RowPlaces(ROW);
    this.pages = new RowPages(list.rows, () => {
      const from = Math.floor(this.element.scrollTop / ROW) - 2 * SPARE;
      return { from, to: from + Math.ceil(this.element.clientHeight / ROW) + 4 * SPARE };
    }, () => this.#draw());
    this.body = make("tbody", { onclick: (/** @type {MouseEvent} */ event) => this.#clicked(event) });
    this.titles = make("tr", { "aria-rowindex": "1" });
    this.table = make("table", { "aria-label": "Feet" }, make("thead", {}, this.titles), this.body);
    this.element = make("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "List; up and down mark a row, right shows all its reasons, Enter opens it", onscroll: () => this.#draw() }, this.table);
    this.resizing = new ResizeObserver(() => this.#draw());
    this.resizing.observe(this.element);
  }

  close() {
    this.pages.begin();
    this.resizing.disconnect();
  }

  /** Columns of a list; no row of the one list stands under the titles of the other. @param {List} list @param {string} label */
  lay(list, label) {
    this.list = list;
    this.columns = columnsOf(this.session, list, (foot, index) => this.#why(foot, index));
    this.heads = this.columns.map((column) => this.#head(column));
    refill(this.titles, ...this.heads);
    this.table.className = { foot: "feet", none: "feet files", read: "feet blind" }[list];
    this.table.setAttribute("aria-label", label);
    this.total = 0;
    this.pages.clear();
    this.#draw();
  }

  /** The first rows of a list. @param {WorklistFoot[]} rows @param {number} total @param {number|null} last number of the foot to come back to */
  fill(rows, total, last) {
    this.pages.fill(rows);
    this.total = total;
    this.places.fold();
    this.#sorted();
    this.element.scrollTop = 0;
    const found = rows.findIndex((foot) => foot.id === last);
    this.current = Math.max(found, 0);
    this.table.setAttribute("aria-rowcount", String(total + 1));
    if (found > 0) this.#reveal();
    this.#draw();
  }

  /** @returns {Record<string, (event: KeyboardEvent) => boolean|void>} */
  keys() {
    return {
      rowDown: (event) => this.#key(event, 1),
      rowUp: (event) => this.#key(event, -1),
      pageDown: (event) => this.#key(event, this.#inSight()),
      pageUp: (event) => this.#key(event, -this.#inSight()),
      rowFirst: (event) => this.#key(event, -Infinity),
      rowLast: (event) => this.#key(event, Infinity),
      openRow: () => this.#openCurrent(),
      unfold: () => this.#unfold(this.current),
      fold: () => this.#unfold(null),
    };
  }

  // --- rows ---------------------------------------------------------------------------------------------------

  /** Make the rows in sight. */
  #draw() {
    const { scrollTop, clientHeight } = this.element;
    const { places } = this;
    const first = Math.max(0, places.at(scrollTop) - SPARE);
    const last = Math.min(this.total, Math.max(places.at(scrollTop + clientHeight), first) + SPARE + 1);
    const rows = [];
    let details = /** @type {any} */ (null);
    for (let index = first; index < last; index++) {
      rows.push(this.#row(index));
      const foot = index === places.unfolded ? this.pages.row(index) : null;
      if (foot) rows.push(details = make("tr", { className: "details" }, detailsOf(this.session, foot, this.#width())));
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

  /** @param {number} index */
  #row(index) {
    const foot = this.pages.row(index);
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

  /** How many columns the screen has room for. */
  #width() {
    return this.heads.filter((head) => getComputedStyle(head).display !== "none").length || 1;
  }

  /** @param {Column} column */
  #head(column) {
    const head = make("th", { scope: "col", className: column.number ? "number" : "", data: { column: column.name } });
    const { sort } = column;
    if (sort) head.append(make("button", { type: "button", onclick: () => this.filters.sortBy(sort) }, column.title, make("span", { className: "order", "aria-hidden": "true" })));
    else head.append(column.title);
    return head;
  }

  /** By which column the rows are ordered. */
  #sorted() {
    const { sort, down } = this.filters;
    for (const [k, column] of this.columns.entries()) {
      if (!column.sort) continue;
      const sorted = column.sort === sort;
      this.heads[k].setAttribute("aria-sort", sorted ? (down ? "descending" : "ascending") : "none");
      this.heads[k].querySelector(".order").textContent = sorted ? (down ? " ↓" : " ↑") : "";
    }
  }

  // --- marking and opening --------------------------------------------------------------------------------------

  #inSight() {
    return Math.max(1, Math.floor(this.element.clientHeight / ROW) - 1);
  }

  /** @param {MouseEvent} event */
  #clicked(event) {
    const target = /** @type {HTMLElement} */ (event.target);
    const row = /** @type {HTMLElement|null} */ (target.closest("tr[data-index]"));
    if (!row || target.closest("a, button")) return;
    this.#mark(Number(row.dataset.index));
    this.#openCurrent();
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
    const foot = this.pages.row(index);
    if (foot) announce(spokenRow(this.session, this.list, foot), 150);
  }

  #reveal() {
    const head = this.table.tHead.offsetHeight;
    const top = this.places.top(this.current);
    const bottom = this.places.top(this.current + 1);
    const { scrollTop, clientHeight } = this.element;
    if (top < scrollTop) this.element.scrollTop = top;
    else if (bottom > scrollTop + clientHeight - head) this.element.scrollTop = Math.min(top, bottom - clientHeight + head);
  }

  /** @param {number|null} index */
  #unfold(index) {
    if (index === null ? this.places.unfolded === null : index >= this.total || this.list === "read") return false;
    if (index === null) this.places.fold();
    else this.places.unfold(index);
    this.#draw();
    if (index !== null) this.#reveal();
    return true;
  }

  #openCurrent() {
    const foot = this.pages.row(this.current);
    if (foot) this.openRow(foot);
  }
}
