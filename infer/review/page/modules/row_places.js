/** Where the rows of a long list lie that are all equally high, one of them with details below it. */
export class RowPlaces {
  /** @param {number} height of a row, pixels */
  constructor(height) {
    this.height = height;
    /** @type {number|null} */
    this.unfolded = null;
    this.details = 0;
  }

  /** @param {number} index */
  unfold(index) {
    this.unfolded = index;
  }

  fold() {
    this.unfolded = null;
    this.details = 0;
  }

  /** How high the details are. @param {number} height @returns {boolean} whether that is news */
  measured(height) {
    if (height === this.details) return false;
    this.details = height;
    return true;
  }

  /** Upper end of a row. @param {number} index */
  top(index) {
    return index * this.height + (this.unfolded !== null && index > this.unfolded ? this.details : 0);
  }

  /** The row at a height. @param {number} y */
  at(y) {
    const row = Math.floor(y / this.height);
    if (this.unfolded === null || row <= this.unfolded) return row;
    return Math.max(this.unfolded, Math.floor((y - this.details) / this.height));
  }
}
