import { api, ApiError, outOfReach } from "./api.js";

/**
 * Asks for angles as points move: at most one request under way, always the latest points next, no answer out of
 * order.
 */
export class Measuring {
  /**
   * @param {() => any} body what to send, made as late as possible
   * @param {(measured: import("./types.js").Measurements, milliseconds: number) => void} arrived
   * @param {(error: ApiError) => void} failed
   * @param {(busy: boolean) => void} busy whether the numbers shown are behind the points
   */
  constructor(body, arrived, failed, busy) {
    this.body = body;
    this.arrived = arrived;
    this.failed = failed;
    this.busy = busy;
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
    this.busy(true);
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
      if (!this.stopped.signal.aborted) this.arrived(measured, performance.now() - since);
    } catch (error) {
      if (this.stopped.signal.aborted) return;
      if (!(error instanceof ApiError)) throw error;
      this.failed(error);
      if (outOfReach(error)) {
        this.wanted ||= since;
        await new Promise((resolve) => setTimeout(resolve, 1000));
      }
    }
    if (this.stopped.signal.aborted) return;
    this.waiting = false;
    if (this.wanted) this.#wait();
    else this.busy(false);
  }
}
