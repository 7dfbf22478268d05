import { boneName } from "./bones.js";

/**
 * Lines across a bone at the levels of its shaft, from its two ends as the reader clicks them: points at 30 and 70 % of
 * a bone's length are hard to find by eye. Nothing of the model is in them, and they are not saved.
 *
 * @typedef {import("./types.js").Place} Place
 * @typedef {{ends: Place[], levels: number[]}} DrawnGuide
 */

const STORED = "guide lines off";
const ENDS = ["base", "head"];

export class ShaftGuides {
  /** @param {import("./landmarks.js").Landmarks} landmarks */
  constructor(landmarks) {
    this.landmarks = landmarks;
    /** @type {Map<string, Place[]>} ends by bone, the base first */
    this.ends = new Map();
    /** @type {Set<string>} bones whose guide is left out */
    this.left = new Set();
  }

  get on() {
    return localStorage.getItem(STORED) === null;
  }

  set on(on) {
    if (on) localStorage.removeItem(STORED);
    else localStorage.setItem(STORED, "1");
    this.left.clear();
  }

  /** What is to be clicked before a point is placed; null if nothing. @param {string|null} code @returns {string|null} */
  wanted(code) {
    if (code === null || !this.on || this.landmarks.level(code) === null) return null;
    const bone = this.landmarks.bone(code);
    const end = ENDS[this.ends.get(bone)?.length ?? 0];
    return end && !this.left.has(bone) ? `the middle of the ${end} of the ${boneName(bone)}` : null;
  }

  /** @param {string} code of a point of the bone @param {Place} place */
  set(code, place) {
    const bone = this.landmarks.bone(code);
    this.ends.set(bone, [...(this.ends.get(bone) ?? []), place]);
  }

  /** Go on without lines for this bone. @param {string} code */
  leave(code) {
    this.left.add(this.landmarks.bone(code));
    this.ends.delete(this.landmarks.bone(code));
  }

  /** Guide lines of the bone of a point: their ends are asked for, set, or left out; null if it lies on no shaft. @param {string} code */
  state(code) {
    if (this.landmarks.level(code) === null) return null;
    if (this.ends.get(this.landmarks.bone(code))?.length === ENDS.length) return "set";
    return this.wanted(code) ? "asking" : "off";
  }

  /** Where they are asked for: switched off; where they are set: set anew; where they are off: switched on. @param {string} code */
  toggle(code) {
    const state = this.state(code);
    if (state === "set") this.ends.delete(this.landmarks.bone(code));
    this.on = state !== "asking";
  }

  /** @param {string|null} code @returns {DrawnGuide|null} */
  drawn(code) {
    if (code === null || this.landmarks.level(code) === null) return null;
    const bone = this.landmarks.bone(code);
    const ends = this.ends.get(bone);
    return ends ? { ends, levels: this.landmarks.levels(bone) } : null;
  }
}
