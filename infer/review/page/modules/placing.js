/**
 * Points that wait for a click on the film: one that was chosen, or one after the other.
 */
export class Placing {
  constructor() {
    /** @type {string[]} those still to be placed, the present one first */
    this.codes = [];
    this.guided = false;
    /** How many a guided placement has in all. */
    this.total = 0;
  }

  get active() {
    return this.codes.length > 0;
  }

  /** The point that the next click places. @returns {string|null} */
  get code() {
    return this.codes[0] ?? null;
  }

  /** How far a guided placement is; "one" for a single point; null if nothing waits. */
  get progress() {
    if (!this.active) return null;
    return this.guided ? { count: this.total - this.codes.length + 1, of: this.total } : "one";
  }

  /** @param {string} code */
  one(code) {
    this.codes = [code];
    this.guided = false;
  }

  /** @param {string[]} codes @param {number} total with those that are placed already */
  guide(codes, total) {
    this.codes = codes;
    this.guided = true;
    this.total = total;
  }

  /** The present point is done. @returns {boolean} whether another one waits */
  next() {
    this.codes = this.guided ? this.codes.slice(1) : [];
    return this.active;
  }

  /** The present point comes last. */
  skip() {
    this.codes = [...this.codes.slice(1), ...this.codes.slice(0, 1)];
  }

  stop() {
    this.codes = [];
    this.guided = false;
  }
}
