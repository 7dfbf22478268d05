import { about, apply, compose, invert, scaleOf } from "./affine.js";

/** @typedef {import("./affine.js").Affine} Affine @typedef {import("./types.js").Place} Place */

const LARGEST = 64;
/** Part of the stage left free around what "Fit" shows. */
const MARGIN = 0.05;

/** Where the film lies on the screen: one matrix from film pixels to CSS pixels of the stage. */
export class FilmView {
  /** @param {(view: FilmView) => void} changed */
  constructor(changed) {
    this.changed = changed;
    this.width = 1;
    this.height = 1;
    this.rows = 1;
    this.columns = 1;
    this.aspect = 1;
    /** @type {Affine} */
    this.screenFromFilm = [1, 0, 0, 1, 0, 0];
    /** @type {Place[]} corners of what `fit` shows */
    this.home = [];
    /** Quarter turns by which the film lies at first, degrees clockwise. */
    this.upright = 0;
    /** Height at the lower end of the stage that "Fit" leaves to what lies there, CSS pixels. */
    this.below = 0;
    this.untouched = true;
  }

  /**
   * @param {{rows: number, columns: number, aspect: number}} film
   * @param {Place[]} home points that `fit` brings into view; the whole film if there are none
   * @param {number} [upright] degrees clockwise by which it is turned at first
   */
  open(film, home, upright = 0) {
    ({ rows: this.rows, columns: this.columns, aspect: this.aspect } = film);
    this.home = home;
    this.upright = upright;
    this.reset();
  }

  /** @param {number} width @param {number} height */
  resize(width, height) {
    const [dx, dy] = [(width - this.width) / 2, (height - this.height) / 2];
    this.width = width;
    this.height = height;
    if (this.untouched) this.fit();
    else this.#set(compose([1, 0, 0, 1, dx, dy], this.screenFromFilm));
  }

  get filmFromScreen() {
    return invert(this.screenFromFilm);
  }

  /** CSS pixels for each film column. */
  get scale() {
    return scaleOf(this.screenFromFilm);
  }

  get centre() {
    return { x: this.width / 2, y: this.height / 2 };
  }

  /** @param {Place} filmPlace */
  toScreen(filmPlace) {
    return apply(this.screenFromFilm, filmPlace);
  }

  /** @param {Place} screenPlace */
  toFilm(screenPlace) {
    return apply(this.filmFromScreen, screenPlace);
  }

  /** The foot, or the whole film, as large as it goes; the turn stays. */
  fit(whole = false) {
    const corners = whole || !this.home.length ? this.#filmCorners() : this.home;
    const margin = whole || !this.home.length ? 0.02 : MARGIN;
    const shown = corners.map((corner) => apply(this.screenFromFilm, corner));
    const [left, right] = [Math.min(...shown.map((p) => p.x)), Math.max(...shown.map((p) => p.x))];
    const [top, bottom] = [Math.min(...shown.map((p) => p.y)), Math.max(...shown.map((p) => p.y))];
    const room = 1 - margin;
    const height = Math.max(this.height - this.below, 0.5 * this.height);
    const factor = Math.min((this.width * room) / Math.max(right - left, 1e-9), (height * room) / Math.max(bottom - top, 1e-9));
    const middle = { x: (left + right) / 2, y: (top + bottom) / 2 };
    /** @type {Affine} */
    const map = [factor, 0, 0, factor, this.width / 2 - factor * middle.x, height / 2 - factor * middle.y];
    this.#set(compose(map, this.screenFromFilm), !whole);
  }

  /** As at first. */
  reset() {
    this.lay(this.upright);
  }

  /** Turned from the file's own orientation, not mirrored, the foot as large as it goes. @param {number} degrees clockwise; quarter turns are exact */
  lay(degrees) {
    const [cos, sin] = [Math.cos((degrees * Math.PI) / 180), Math.sin((degrees * Math.PI) / 180)].map((part) => (degrees % 90 ? part : Math.round(part)));
    this.screenFromFilm = compose([cos, sin, -sin, cos, 0, 0], [1, 0, 0, this.aspect, 0, 0]);
    this.fit();
  }

  /** One film column to one pixel of the screen. */
  oneToOne() {
    this.zoom(1 / (window.devicePixelRatio || 1) / this.scale);
  }

  /** @param {number} factor @param {Place} [at] what stays in its place; the middle of the stage if left out */
  zoom(factor, at = this.centre) {
    const least = 0.5 * Math.min(this.width, this.height) / Math.max(this.columns, this.rows * this.aspect);
    const bounded = Math.min(Math.max(this.scale * factor, Math.min(least, this.scale)), Math.max(LARGEST, this.scale)) / this.scale;
    this.#set(compose(about([bounded, 0, 0, bounded], at), this.screenFromFilm));
  }

  /** @param {number} dx @param {number} dy CSS pixels */
  pan(dx, dy) {
    this.#set(compose([1, 0, 0, 1, dx, dy], this.screenFromFilm));
  }

  /** @param {number} degrees clockwise @param {Place} [at] */
  rotate(degrees, at = this.centre) {
    const angle = (degrees * Math.PI) / 180;
    const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
    this.#set(compose(about([cos, sin, -sin, cos], at), this.screenFromFilm));
  }

  /** Left to right, as seen on the screen. */
  mirror() {
    this.#set(compose(about([-1, 0, 0, 1], this.centre), this.screenFromFilm));
  }

  /** @param {Place} filmPlace @param {number} [scale] */
  centreOn(filmPlace, scale = this.scale) {
    const at = this.toScreen(filmPlace);
    this.pan(this.centre.x - at.x, this.centre.y - at.y);
    this.zoom(scale / this.scale);
  }

  /** Pan just so far that a point is well inside the stage. @param {Place} filmPlace @param {number} [edge] */
  reveal(filmPlace, edge = 40) {
    const { x, y } = this.toScreen(filmPlace);
    const dx = Math.max(edge - x, 0) + Math.min(this.width - edge - x, 0);
    const dy = Math.max(edge - y, 0) + Math.min(this.height - edge - y, 0);
    if (dx || dy) this.pan(dx, dy);
  }

  get mirrored() {
    const [a, b, c, d] = this.screenFromFilm;
    return a * d - b * c < 0;
  }

  /** Turn of the film in whole degrees, clockwise, before any mirroring. */
  get turn() {
    const [a, b] = this.screenFromFilm;
    const degrees = Math.round((Math.atan2(b, this.mirrored ? -a : a) * 180) / Math.PI);
    return (degrees + 360) % 360;
  }

  #filmCorners() {
    const [right, bottom] = [this.columns - 0.5, this.rows - 0.5];
    return [{ x: -0.5, y: -0.5 }, { x: right, y: -0.5 }, { x: right, y: bottom }, { x: -0.5, y: bottom }];
  }

  /** @param {Affine} matrix @param {boolean} [untouched] */
  #set(matrix, untouched = false) {
    this.screenFromFilm = matrix;
    this.untouched = untouched;
    this.changed(this);
  }
}
