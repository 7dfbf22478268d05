import { ApiError } from "./api.js";

/**
 * The rows of a long list, page by page: a page is fetched as its rows come into sight, and the oldest are let go.
 *
 * @typedef {import("./types.js").WorklistFoot} WorklistFoot
 */

export const PAGE = 100;
/** Pages kept: more is fetched again. */
const KEPT = 40;
/** How long rows must stay in sight: pages that are only scrolled past are not fetched, ms. */
const REST = 60;
/** When a page that did not come is asked for again, ms. */
const AGAIN = 2000;

export class RowPages {
  /**
   * @param {(offset: number) => Promise<WorklistFoot[]>} fetch rows of a page
   * @param {() => {from: number, to: number}} inSight rows in sight, and some more
   * @param {() => void} arrived
   */
  constructor(fetch, inSight, arrived) {
    this.fetch = fetch;
    this.inSight = inSight;
    this.arrived = arrived;
    /** @type {Map<number, WorklistFoot[]|null>} null while it is fetched */
    this.pages = new Map();
    /** Lists that were begun: an answer for an earlier one is let go. */
    this.list = 0;
  }

  /** Another list, of which no row is there yet: answers on their way are of no use any more. */
  begin() {
    return ++this.list;
  }

  /** @param {number} list as `begin` gave it */
  isOf(list) {
    return list === this.list;
  }

  /** @param {WorklistFoot[]} first its first page */
  fill(first) {
    this.pages.clear();
    this.pages.set(0, first);
  }

  clear() {
    this.pages.clear();
  }

  /** A row, if it is there; else its page is fetched. @param {number} index @returns {WorklistFoot|undefined} */
  row(index) {
    const page = Math.floor(index / PAGE);
    const rows = this.pages.get(page);
    if (rows === undefined) void this.#fetch(page);
    return rows?.[index % PAGE];
  }

  /** @param {number} page */
  async #fetch(page) {
    const { list } = this;
    this.pages.set(page, null);
    try {
      await new Promise((resolve) => setTimeout(resolve, REST));
      if (!this.isOf(list)) return;
      const { from, to } = this.inSight();
      if ((page + 1) * PAGE < from || page * PAGE > to) {
        this.pages.delete(page);
        return;
      }
      const rows = await this.fetch(page * PAGE);
      if (!this.isOf(list)) return;
      this.pages.delete(page);
      this.pages.set(page, rows);
      for (const oldest of this.pages.keys()) {
        if (this.pages.size <= KEPT) break;
        this.pages.delete(oldest);
      }
      this.arrived();
    } catch (error) {
      this.pages.delete(page);
      if (!(error instanceof ApiError)) throw error;
      setTimeout(() => this.arrived(), AGAIN);
    }
  }
}
