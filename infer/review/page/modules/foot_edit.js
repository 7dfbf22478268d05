import { EditSteps } from "./edit_steps.js";
import { NOWHERE, same, stateOf, statesOf } from "./point_states.js";
import { groundOf, stillTaken, takenOf } from "./taken_numbers.js";

/**
 * One foot as a reader changes it: its points, what it is called, its construction and which withheld numbers are taken.
 * Every change is a step that can be undone and done again, with all that it changed.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./landmarks.js").GivenPoint} FootPoint
 * @typedef {import("./types.js").Measurements} Measurements
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./point_states.js").PointState} PointState
 * @typedef {import("./taken_numbers.js").Accepted} Accepted
 * @typedef {import("./edit_steps.js").Part} Part
 * @typedef {{side: import("./types.js").Side|"", construction: string, anew: boolean, accepted: Record<string, Accepted>}} Rest what is not
 *   a point; `anew`: the model's points do not count
 * @typedef {{foot: Foot, given: Map<string, FootPoint>, saved: Map<string, PointState>, savedRest: Rest, version: number,
 *   note: string, measured: Measurements|null}} Base a read that stands, and what was shown with it
 * @typedef {{note: string, measured: Measurements|null}} Shown
 */

export class FootEdit {
  /**
   * @param {Foot} foot as the server gave it
   * @param {FootPoint[]} points all of them, those without a place too
   * @param {import("./types.js").Session} session
   * @param {() => void} changed
   */
  constructor(foot, points, session, changed) {
    this.changed = changed;
    this.session = session;
    /** The read that stands, as far as this page knows. */
    this.foot = foot;
    /** @type {Map<string, FootPoint>} as the server gave them */
    this.given = new Map(points.map((point) => [point.code, point]));
    /** @type {Map<string, PointState>} */
    this.now = statesOf(points);
    /** @type {Rest} */
    this.rest = this.#restOf(foot);
    this.steps = new EditSteps();
    /** @type {Map<string, PointState>} */
    this.saved = new Map(this.now);
    this.savedRest = this.rest;
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

  /** As the model left it, if the server says so and it counts. @param {string} code @returns {PointState|null} */
  modelState(code) {
    const point = /** @type {FootPoint} */ (this.given.get(code));
    if (this.rest.anew) return null;
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

  /** What besides points differs from what is saved, in words. @returns {string[]} */
  get unsavedRest() {
    const { rest, savedRest } = this;
    const [taken, before] = [this.accepted(), this.accepted(savedRest)];
    const titles = this.session.constructions;
    return [
      rest.side !== savedRest.side ? "side" : "",
      rest.construction !== savedRest.construction ? `construction: ${titles.find((one) => one.name === rest.construction)?.title ?? rest.construction}` : "",
      rest.anew !== savedRest.anew ? "points to be placed anew" : "",
      ...this.session.measures.filter(({ name }) => (name in taken) !== (name in before)).map(({ name, abbreviation }) => `${abbreviation} ${name in taken ? "taken" : "given back"}`),
    ].filter(Boolean);
  }

  /** Whether something besides points and withheld numbers differs, so that a read is a correction. */
  get needsCorrection() {
    const { rest, savedRest } = this;
    return rest.side !== savedRest.side || rest.construction !== savedRest.construction || rest.anew !== savedRest.anew;
  }

  /**
   * Withheld numbers that are taken: those whose points still lie as they did when they were looked at.
   *
   * @param {Rest} [rest]
   * @returns {Record<string, number>}
   */
  accepted(rest = this.rest) {
    return stillTaken(this.session, rest.accepted, this.rest, this.now);
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
    this.#step(before.x === null ? `place ${code}` : `move ${code}`, { points: new Map([[code, after]]) }, kind);
  }

  /** End of a drag. */
  settle() {
    if (!this.dragged) return;
    const { code, before } = this.dragged;
    this.dragged = undefined;
    const after = this.state(code);
    this.now.set(code, before);
    this.#step(`move ${code}`, { points: new Map([[code, after]]) }, "drag");
  }

  /** @param {string} code @param {boolean} visible */
  show(code, visible) {
    const before = this.state(code);
    this.#step(visible ? `${code} visible` : `${code} not visible`, { points: new Map([[code, { ...before, visible }]]) }, "visible");
  }

  /** Back to where the model put it. @param {string[]} codes */
  reset(codes) {
    /** @type {Map<string, PointState>} */
    const points = new Map();
    for (const code of codes) {
      const model = this.modelState(code);
      if (model && !same(model, this.state(code))) points.set(code, model);
    }
    if (points.size) this.#step(points.size === 1 ? `reset ${[...points.keys()][0]}` : `reset ${points.size} points`, { points }, "reset");
  }

  /** Something besides the points. @param {string} words @param {Partial<Rest>} rest */
  change(words, rest) {
    this.#step(words, { points: new Map(), rest: { ...this.rest, ...rest } }, "rest");
  }

  /** Take a withheld number that was looked at. @param {string} name @param {number} value @param {string} words */
  accept(name, value, words) {
    this.change(words, { accepted: { ...this.rest.accepted, [name]: { value, points: groundOf(this.session, name, this.rest, this.now) } } });
  }

  /** @param {string} name @param {string} words */
  giveBack(name, words) {
    const { [name]: _, ...accepted } = this.rest.accepted;
    this.change(words, { accepted });
  }

  /** All points are to be placed anew. @param {Rest["side"]} side @param {string} words */
  clear(side, words) {
    const points = new Map([...this.now.keys()].map((code) => [code, NOWHERE]));
    this.#step(words, { points, rest: { ...this.rest, side, anew: true } }, "rest");
  }

  /**
   * Another read in place of what stands here, whole, as one step; undo brings back one's own, whole.
   *
   * @param {Foot} foot
   * @param {FootPoint[]} points all of them
   * @param {string} words
   * @param {Shown} mine what is shown with one's own
   */
  take(foot, points, words, mine) {
    const states = points.filter((point) => this.now.has(point.code)).map((point) => /** @type {[string, PointState]} */ ([point.code, stateOf(point)]));
    const theirs = new Map([...this.now, ...states]);
    const rest = this.#restOf(foot);
    const given = new Map(points.map((point) => [point.code, point]));
    /** @type {Part} */
    const before = { points: new Map(this.now), rest: this.rest, base: { ...this.#base(), ...mine } };
    /** @type {Part} */
    const after = { points: theirs, rest, base: { foot, given, saved: theirs, savedRest: rest, version: foot.version, note: foot.note, measured: foot.measured } };
    this.steps.add(words, () => before, after, "take");
    return this.#apply(after, this.foot.version);
  }

  /** What stands by the server, whole; what was changed since it was saved stays. @param {Foot} foot @param {FootPoint[]} points all of them */
  stand(foot, points) {
    for (const point of points) {
      if (this.now.has(point.code) && !this.unsaved(point.code)) this.now.set(point.code, stateOf(point));
      this.saved.set(point.code, stateOf(point));
    }
    const rest = this.#restOf(foot);
    if (this.rest === this.savedRest) this.rest = rest;
    this.savedRest = rest;
    this.given = new Map(points.map((point) => [point.code, point]));
    this.foot = foot;
  }

  /** What stands here is what the server has. */
  markSaved() {
    this.saved = new Map(this.now);
    this.savedRest = this.rest;
    this.changed();
  }

  /** Whether the next step back, or forward, changes which of two reads is looked at. @param {"undo"|"redo"} way */
  switches(way) {
    const { from = null, to = null } = this.steps.next(way) ?? {};
    return Boolean(to?.base && from?.base && from.base.version === this.foot.version);
  }

  /**
   * A step back, or forward.
   *
   * @param {"undo"|"redo"} way
   * @param {Shown} left what is shown with the read that is looked at until now
   * @returns {{words: string, base: Base|null}|null} what was undone, or done again; the read that is looked at if it is another one
   */
  shift(way, left) {
    if (way === "undo") this.settle();
    const step = this.steps.next(way);
    if (!step) return null;
    if (step.from.base) Object.assign(step.from.base, left);
    this.steps.shift(way);
    return { words: step.words, base: this.#apply(step.to, step.from.base?.version ?? this.foot.version) };
  }

  /** All points as the server takes them. */
  toSend() {
    return [...this.now].map(([code, state]) => ({ code, ...state }));
  }

  /** @param {Foot} foot @returns {Rest} */
  #restOf(foot) {
    return { side: /** @type {Rest["side"]} */ (foot.foot), construction: foot.construction, anew: foot.anew, accepted: takenOf(this.session, foot) };
  }

  /** @returns {Base} */
  #base() {
    const { foot, given, saved, savedRest } = this;
    return { foot, given, saved, savedRest, version: foot.version, note: foot.note, measured: null };
  }

  /** @param {string} words @param {Part} after @param {string} kind */
  #step(words, after, kind) {
    this.steps.add(words, () => ({ points: new Map([...after.points.keys()].map((one) => [one, this.state(one)])), rest: after.rest && this.rest }), after, kind);
    this.#apply(after, this.foot.version);
  }

  /**
   * @param {Part} part
   * @param {number} version of the read looked at until now: if one was saved since, that one stays the base
   * @returns {Base|null} the read that is looked at now, if it is another one
   */
  #apply({ points, rest, base }, version) {
    for (const [code, state] of points) this.now.set(code, state);
    if (rest) this.rest = rest;
    const switched = base && version === this.foot.version ? base : null;
    if (switched) ({ foot: this.foot, given: this.given, saved: this.saved, savedRest: this.savedRest } = switched);
    this.changed();
    return switched;
  }
}
