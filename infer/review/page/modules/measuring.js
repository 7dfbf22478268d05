import { api, ApiError, outOfReach } from "./api.js";

/**
 * Asks for angles as points move: at most one request under way, always the latest points next, no answer out of
 * order.
 */
export class Measuring {
  /**
   * @param {() => any} body what to send, made as late as possible
   * @param {{arrived: (measured: import("./types.js").Measurements, milliseconds: number) => void,
   *   failed: (error: ApiError) => void, busy: (busy: boolean) => void}} page `busy`: the numbers shown are behind
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
    if (!this.waiting) this.#wait();
  }

  #wait() {
    this.waiting = true;
    this.page.busy(true);
    requestAnimationFrame(() => this.#send());
  }

  stop() {
    this.stopped.abort();
  }

  async #send() {
    const since = this.wanted;
    this.wanted = 0;
    try {
      const measured = await api.measure(this.body(), this.stopped.signal);
      if (!this.stopped.signal.aborted) this.page.arrived(measured, performance.now() - since);
    } catch (error) {
      if (this.stopped.signal.aborted) return;
      if (!(error instanceof ApiError)) throw error;
      this.page.failed(error);
      if (outOfReach(error)) {
        this.wanted ||= since;
        await new Promise((resolve) => setTimeout(resolve, 1000));
      }
    }
    if (this.stopped.signal.aborted) return;
    this.waiting = false;
    if (this.wanted) this.#wait();
    else this.page.busy(false);
  }
}
