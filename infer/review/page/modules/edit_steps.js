/**
 * Steps of a reader's work on one foot, each with all that it changed, so that it can be undone and done again.
 *
 * @typedef {import("./point_states.js").PointState} PointState
 * @typedef {{points: Map<string, PointState>, rest?: import("./foot_edit.js").Rest, base?: import("./foot_edit.js").Base}} Part
 *   one side of a step; `base`: the read that was looked at then
 * @typedef {{words: string, before: Part, after: Part, kind: string, at: number}} Step
 * @typedef {"undo"|"redo"} Way
 */

/** Key presses on one point within this time are one step, ms. */
const TOGETHER = 500;

export class EditSteps {
  constructor() {
    /** @type {Step[]} */
    this.done = [];
    /** @type {Step[]} */
    this.undone = [];
  }

  /** Whether there is a step to take. @param {Way} way */
  can(way) {
    return (way === "undo" ? this.done : this.undone).length > 0;
  }

  /** @param {string} words @param {() => Part} before how it was, asked for where the step is a new one @param {Part} after @param {string} kind */
  add(words, before, after, kind) {
    const at = performance.now();
    const last = this.done.at(-1);
    const [code] = after.points.keys();
    if (kind === "key" && last?.kind === "key" && at - last.at < TOGETHER && last.after.points.has(code)) {
      last.after = after;
      last.at = at;
    } else {
      this.done.push({ words, before: before(), after, kind, at });
    }
    this.undone = [];
  }

  /** What the next step leads from and to; null where there is none. @param {Way} way */
  next(way) {
    const step = (way === "undo" ? this.done : this.undone).at(-1);
    if (!step) return null;
    return { words: step.words, ...(way === "undo" ? { from: step.after, to: step.before } : { from: step.before, to: step.after }) };
  }

  /** Take it. @param {Way} way */
  shift(way) {
    const [from, to] = way === "undo" ? [this.done, this.undone] : [this.undone, this.done];
    const step = from.pop();
    // Keys that are pressed after it are another step.
    if (step) to.push({ ...step, kind: step.kind === "take" ? "take" : "" });
  }
}
