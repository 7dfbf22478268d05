import { api, ApiError } from "./api.js";

/** Holds a foot for this reader while its page is open. */
export class Claim {
  /**
   * @param {number} id
   * @param {number} seconds how long a claim lasts unless it is renewed
   * @param {(other: string|null) => void} changed who else has it; null if it is ours
   */
  constructor(id, seconds, changed) {
    this.id = id;
    this.every = Math.max(seconds / 3, 2) * 1000;
    this.changed = changed;
    this.held = false;
    /** @type {string|null} */
    this.other = null;
    this.leaving = () => this.release();
    window.addEventListener("pagehide", this.leaving);
  }

  async take() {
    try {
      await api.claim(this.id);
      this.held = true;
      this.other = null;
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      if (error.status === 409) {
        this.held = false;
        this.other = error.body?.claim?.reader ?? "another reader";
      }
    }
    if (this.over) {
      if (this.held) api.release(this.id).catch(() => {});
      return;
    }
    this.changed(this.other);
    clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.take(), this.every);
  }

  release() {
    this.over = true;
    clearTimeout(this.timer);
    window.removeEventListener("pagehide", this.leaving);
    if (this.held) api.release(this.id).catch(() => {});
    this.held = false;
  }
}
