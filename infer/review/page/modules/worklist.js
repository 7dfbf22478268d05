import { announce } from "./announcer.js";
import { api } from "./api.js";
import { make, refill } from "./dom.js";
import { listen } from "./keys.js";
import { counted } from "./words.js";
import { otherReader } from "./worklist_columns.js";
import { WorklistFilters } from "./worklist_filters.js";
import { WorklistTable } from "./worklist_table.js";
import { PAGE } from "./row_pages.js";

/**
 * All feet of the run, or of a reader's study, with filters; apart from them the files without a foot.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 * @typedef {import("./worklist_columns.js").List} List
 */

/** What is listed, and how it is called. @type {Record<List, {text: string, one: string, many: string, none: string, first: string}>} */
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
    /** @type {List} */
    this.list = this.blind ? "read" : app.filters.found ?? "foot";
    this.filters = new WorklistFilters(this.session, app.filters, () => void this.load());
    this.table = new WorklistTable(this.session, this.filters, {
      rows: async (offset) => (await api.feet({ offset, limit: PAGE, ...app.filters })).feet,
      open: (foot) => void app.go(`#/foot/${foot.id}`),
    });
    this.lists = new Map(/** @type {("foot"|"none")[]} */ (["foot", "none"]).map((list) =>
      [list, make("button", { type: "button", "aria-pressed": String(list === this.list), data: { list }, onclick: () => this.#show(list) })]));
    this.heading = make("h1", { tabIndex: -1, textContent: this.blind ? "Your reads" : "Worklist" });
    this.found = make("p", { className: "found", role: "status" });
    this.start = make("button", { type: "button", className: "main", id: "first-open", onclick: () => this.openFirst() });
    this.element = make("div", { className: "worklist" },
      make("div", { className: "worklist-head" }, this.heading,
        this.blind ? null : make("div", { className: "lists", role: "group", "aria-label": "What is listed" }, ...this.lists.values()), this.found, this.start),
      this.blind ? null : this.filters.element,
      this.table.element);
    this.#lay();
  }

  /** @param {HTMLElement} main */
  async open(main) {
    refill(main, this.element);
    document.title = `${this.heading.textContent} – Raysplay review`;
    this.stopKeys = listen("worklist", { ...this.table.keys(), openFirst: () => void this.openFirst(), search: () => this.filters.text.focus() });
    await this.load();
    if (!this.stopped && document.activeElement === document.body) this.heading.focus({ preventScroll: true });
  }

  async leave() {
    return true;
  }

  close() {
    this.stopped = true;
    this.table.close();
    this.stopKeys?.();
  }

  /** Fetch from the start by the filters as they are. */
  async load() {
    const asked = this.table.pages.begin();
    const began = performance.now();
    this.app.filters = this.blind ? {} : { ...this.filters.wanted, found: this.list };
    const answer = await api.feet({ offset: 0, limit: PAGE, ...this.app.filters });
    if (!this.table.pages.isOf(asked) || this.stopped) return;
    this.filters.update(answer.counts);
    for (const [list, button] of this.lists) button.textContent = `${LISTS[list].text} (${(answer.counts.found?.[list] ?? 0).toLocaleString("en")})`;
    const { one, many, none } = LISTS[this.list];
    this.found.textContent = answer.total ? counted(answer.total, one, many) : none;
    this.table.fill(answer.feet, answer.total, this.app.last);
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
      const first = open.find((/** @type {WorklistFoot} */ foot) => !otherReader(this.session, foot));
      for (const foot of open) if (otherReader(this.session, foot)) others.add(foot.claimed_by ?? "");
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

  /** Columns and choices of the list that is shown. */
  #lay() {
    const { text, first } = LISTS[this.list];
    this.start.textContent = first;
    for (const [list, button] of this.lists) button.setAttribute("aria-pressed", String(list === this.list));
    this.filters.lay(this.list === "none");
    this.table.lay(this.list, text);
  }

  /** @param {"foot"|"none"} list */
  #show(list) {
    if (list === this.list) return;
    this.list = list;
    this.filters.unsorted();
    this.#lay();
    this.filters.clear();
  }
}
