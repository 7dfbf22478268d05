import { api, ApiError, outOfReach } from "./api.js";

/**
 * Asks for angles as points move: at most one request under way, always the latest points next, no answer out of
 * order. Between a change and the answer to it the numbers shown are of other points: `behind`.
 */
export class Measuring {
  /**
   * @param {() => any} body what to send, made as late as possible
   * @param {{arrived: (measured: import("./types.js").Measurements, milliseconds: number, behind: boolean) => void,
   *   failed: (error: ApiError) => void, behind: (behind: boolean) => void}} page `arrived`: `behind` if it is of points
   *   that were moved on since; `failed`: there are no numbers of these points
   */
  constructor(body, page) {
    this.body = body;
    this.page = page;
    this.wanted = 0;
    this.waiting = false;
    this.stopped = new AbortController();
  }

  /** Points, construction or scheme changed. */
  ask() {
    this.wanted ||= performance.now();
    this.page.behind(true);
    if (!this.waiting) this.#wait();
  }

  #wait() {
    this.waiting = true;
    requestAnimationFrame(() => this.#send());
  }

  stop() {
    this.stopped.abort();
  }

  async #send() {
    const since = this.wanted;
    this.wanted = 0;
    /** @type {ApiError|null} */
    let failed = null;
    try {
      const measured = await api.measure(this.body(), this.stopped.signal);
      if (this.stopped.signal.aborted) return;
      this.page.arrived(measured, performance.now() - since, Boolean(this.wanted));
    } catch (error) {
      if (this.stopped.signal.aborted) return;
      if (!(error instanceof ApiError)) throw error;
      failed = error;
      this.page.failed(error);
      if (outOfReach(error)) {
        this.wanted ||= since;
        await new Promise((resolve) => setTimeout(resolve, 1000));
      }
    }
    if (this.stopped.signal.aborted) return;
    this.waiting = false;
    if (this.wanted) this.#wait();
    else if (!failed) this.page.behind(false);
  }
}
