/**
 * The points of one foot as a reader changes them: every change is a step that can be undone and done again.
 *
 * @typedef {import("./types.js").FootPoint} FootPoint
 * @typedef {import("./types.js").Place} Place
 * @typedef {{x: number|null, y: number|null, visible: boolean, moved: boolean}} PointState
 * @typedef {{words: string, before: Map<string, PointState>, after: Map<string, PointState>, kind: string, at: number}} Step
 */

/** Key presses on one point within this time are one step, ms. */
const TOGETHER = 500;

export class FootEdit {
  /** @param {FootPoint[]} points @param {() => void} changed */
  constructor(points, changed) {
    this.changed = changed;
    /** @type {Map<string, FootPoint>} as the server gave them */
    this.given = new Map(points.map((point) => [point.code, point]));
    /** @type {Map<string, PointState>} */
    this.now = new Map(points.map((point) => [point.code, stateOf(point)]));
    /** @type {Step[]} */
    this.done = [];
    /** @type {Step[]} */
    this.undone = [];
    /** @type {Map<string, PointState>} */
    this.saved = new Map(this.now);
  }

  /** @param {string} code @returns {PointState} */
  state(code) {
    return /** @type {PointState} */ (this.now.get(code));
  }

  /** Where a point stands, or null if nowhere. @param {string} code @returns {Place|null} */
  place(code) {
    const { x, y } = this.state(code);
    return x === null || y === null ? null : { x, y };
  }

  /** As the model left it, if the server says so. @param {string} code @returns {PointState|null} */
  modelState(code) {
    const point = /** @type {FootPoint} */ (this.given.get(code));
    if (!point.moved) return stateOf(point);
    if (point.model_x === undefined) return null;
    return { x: point.model_x, y: point.model_y ?? null, visible: true, moved: false };
  }

  /** Whether it stands as the model left it, or cannot be brought back there. @param {string} code */
  atModel(code) {
    const model = this.modelState(code);
    return model === null || same(model, this.state(code));
  }

  /** Whether a point differs from what is saved. @param {string} code */
  unsaved(code) {
    return !same(this.state(code), /** @type {PointState} */ (this.saved.get(code)));
  }

  get unsavedCodes() {
    return [...this.now.keys()].filter((code) => this.unsaved(code));
  }

  /**
   * @param {string} code
   * @param {Place} place
   * @param {string} [kind] "drag" while it goes on: no step of its own until `settle`
   */
  move(code, place, kind = "place") {
    const before = this.state(code);
    const after = { x: place.x, y: place.y, visible: true, moved: true };
    if (kind === "drag") {
      this.dragged ??= { code, before };
      this.now.set(code, after);
      this.changed();
      return;
    }
    this.#step(before.x === null ? `place ${code}` : `move ${code}`, new Map([[code, after]]), kind);
  }

  /** End of a drag. */
  settle() {
    if (!this.dragged) return;
    const { code, before } = this.dragged;
    this.dragged = undefined;
    const after = this.state(code);
    this.now.set(code, before);
    this.#step(`move ${code}`, new Map([[code, after]]), "drag");
  }

  /** @param {string} code @param {boolean} visible */
  show(code, visible) {
    const before = this.state(code);
    this.#step(visible ? `${code} visible` : `${code} not visible`, new Map([[code, { ...before, visible }]]), "visible");
  }

  /** Back to where the model put it. @param {string[]} codes */
  reset(codes) {
    /** @type {Map<string, PointState>} */
    const after = new Map();
    for (const code of codes) {
      const model = this.modelState(code);
      if (model && !same(model, this.state(code))) after.set(code, model);
    }
    if (after.size) this.#step(after.size === 1 ? `reset ${[...after.keys()][0]}` : `reset ${after.size} points`, after, "reset");
  }

  /** Points of another read, as one step: undo brings one's own back. @param {FootPoint[]} points @param {string} words */
  take(points, words) {
    const after = new Map(points.filter((point) => this.now.has(point.code)).map((point) => [point.code, stateOf(point)]));
    this.#step(words, after, "take");
  }

  /** What stands here is what the server has. */
  markSaved() {
    this.saved = new Map(this.now);
    this.changed();
  }

  /** @returns {string|null} what was undone */
  undo() {
    this.settle();
    return this.#shift(this.done, this.undone, "before");
  }

  /** @returns {string|null} what was done again */
  redo() {
    return this.#shift(this.undone, this.done, "after");
  }

  /** All points as the server takes them. */
  toSend() {
    return [...this.now].map(([code, state]) => ({ code, ...state }));
  }

  /** Those that are not as they are saved. */
  changesToSend() {
    return this.unsavedCodes.map((code) => ({ code, ...this.state(code) }));
  }

  /** @param {string} words @param {Map<string, PointState>} after @param {string} kind */
  #step(words, after, kind) {
    const at = performance.now();
    const last = this.done.at(-1);
    const [code] = after.keys();
    if (kind === "key" && last?.kind === "key" && at - last.at < TOGETHER && last.after.has(code)) {
      last.after = after;
      last.at = at;
    } else {
      const before = new Map([...after.keys()].map((one) => [one, this.state(one)]));
      this.done.push({ words, before, after, kind, at });
    }
    this.undone = [];
    for (const [one, state] of after) this.now.set(one, state);
    this.changed();
  }

  /** @param {Step[]} from @param {Step[]} to @param {"before"|"after"} which */
  #shift(from, to, which) {
    const step = from.pop();
    if (!step) return null;
    for (const [code, state] of step[which]) this.now.set(code, state);
    to.push({ ...step, kind: "" });
    this.changed();
    return step.words;
  }
}

/** @param {FootPoint} point @returns {PointState} */
function stateOf({ x, y, visible, moved }) {
  return { x, y, visible, moved };
}

/** @param {PointState} a @param {PointState} b */
function same(a, b) {
  return a.x === b.x && a.y === b.y && a.visible === b.visible && a.moved === b.moved;
}
