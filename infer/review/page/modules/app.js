import { api, ApiError, watchServer } from "./api.js";
import { banner } from "./banners.js";
import { make, refill } from "./dom.js";
import { FilmPage } from "./film_page.js";
import { FilmStore } from "./film_store.js";
import { Landmarks } from "./landmarks.js";
import { Worklist } from "./worklist.js";

/** @type {Record<import("./api.js").Contact, string|null>} */
const OUT_OF_REACH = {
  answered: null,
  silent: "The server does not answer. Your work is kept in this page; it goes on as soon as the server does.",
  another: "The server shows another run now. What you see belongs to the run before: write down what you need, then reload the page.",
  stranger: "The server was started anew. Open the address that it printed in another tab of this browser; your work is kept in this page and goes on then.",
};

/**
 * Which page is shown, and what pages share.
 *
 * @typedef {{open: (main: HTMLElement) => Promise<void>, leave: () => Promise<boolean>, close: () => void}} Page
 */
export class App {
  /** @param {HTMLElement} main @param {import("./types.js").Session} session */
  constructor(main, session) {
    this.main = main;
    this.session = session;
    this.landmarks = new Landmarks(session);
    this.films = new FilmStore();
    /** @type {Record<string, any>} filters and order of the worklist, which next and previous follow */
    this.filters = session.study ? {} : { found: "foot" };
    /** @type {number|null} foot last looked at, for the worklist to come back to */
    this.last = null;
    /** @type {Page|null} */
    this.page = null;
    this.shown = "";
    watchServer((contact) => banner("server", OUT_OF_REACH[contact]));
    window.addEventListener("hashchange", () => this.#follow());
  }

  async start() {
    this.progress();
    await this.#follow();
  }

  /** @param {string} hash */
  async go(hash) {
    if (hash === this.shown) return;
    if (this.page && !(await this.page.leave())) return;
    await this.#show(hash);
    if (location.hash !== hash) history.pushState(null, "", hash);
  }

  /** @param {number} id @returns {Promise<import("./types.js").Foot>} */
  foot(id) {
    return api.foot(id, this.filters);
  }

  /** Have the next film ready. @param {number|null} id */
  async prefetch(id) {
    if (!id) return;
    try {
      const foot = await api.foot(id, this.filters);
      if (!foot.film_notice) await this.films.get(foot.film_id);
    } catch {
      // It is fetched, and its problem told, when it is opened.
    }
  }

  /** Show how much is settled. */
  async progress() {
    const { done, total, files = { done: 0, total: 0 } } = await api.progress().catch(() => ({ done: 0, total: 0, files: undefined }));
    const place = /** @type {HTMLElement} */ (document.getElementById("progress"));
    place.hidden = !total;
    const [what, settled] = this.session.study ? ["reads", "saved"] : ["feet", "settled"];
    const of = (/** @type {number} */ some, /** @type {number} */ all) => `${some.toLocaleString("en")} of ${all.toLocaleString("en")}`;
    const words = [`${of(done - files.done, total - files.total)} ${what} ${settled}`, ...(files.total ? [`${of(files.done, files.total)} files without a foot`] : [])];
    refill(place, make("progress", { max: total - files.total || 1, value: done - files.done, "aria-label": `${what[0].toUpperCase()}${what.slice(1)} ${settled}` }),
      make("span", { textContent: words[0] }), words[1] ? make("span", { className: "files", textContent: words[1] }) : null);
  }

  async #follow() {
    const hash = location.hash || "#/feet";
    if (hash === this.shown) return;
    if (this.page && !(await this.page.leave())) {
      history.pushState(null, "", this.shown);
      return;
    }
    await this.#show(hash);
  }

  /** @param {string} hash */
  async #show(hash) {
    this.page?.close();
    this.page = null;
    this.shown = hash;
    const id = Number(/^#\/foot\/(\d+)$/.exec(hash)?.[1] ?? 0);
    document.body.dataset.page = id ? "film" : "worklist";
    try {
      const page = await this.#page(id);
      if (this.shown !== hash) {
        page.close();
        return;
      }
      this.page = page;
      await page.open(this.main);
    } catch (error) {
      if (this.shown !== hash) return;
      refill(this.main, make("div", { className: "failed", role: "alert" },
        make("h1", { textContent: "This cannot be shown" }),
        make("p", { textContent: error instanceof ApiError ? error.message : "Something failed in this page. What is saved is safe." }),
        make("p", {}, make("button", { type: "button", textContent: "Try again", onclick: () => this.#show(hash) }), " ",
          make("a", { href: "#/feet", textContent: "Back to the worklist" }))));
      if (!(error instanceof ApiError)) throw error;
    }
  }

  /** @param {number} id of a foot; 0 for the worklist @returns {Promise<Page>} */
  async #page(id) {
    if (!id) return new Worklist(this);
    const began = performance.now();
    this.last = id;
    return new FilmPage(this, await this.foot(id), began);
  }
}
