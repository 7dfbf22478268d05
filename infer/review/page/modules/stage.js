import { compose } from "./affine.js";
import { make, makeSvg } from "./dom.js";
import { filmPainter } from "./film_painter.js";
import { FilmView } from "./film_view.js";
import { Overlay } from "./overlay.js";

/**
 * @typedef {import("./overlay.js").Drawing} Drawing
 * @typedef {import("./types.js").Place} Place
 */

const LENS_RADIUS = 76;
const LENS_AWAY = 128;
/** Magnification of the lens over the view, and the least it shows, screen pixels for each film pixel. */
const LENS_ZOOM = 3;
const LENS_LEAST = 4;

/** A film with its drawing: canvas below, vectors above, one matrix for both. */
export class Stage {
  /**
   * @param {string} label for screen readers
   * @param {() => Drawing|null} drawing asked for at every frame that changed
   */
  constructor(label, drawing) {
    this.drawing = drawing;
    this.canvas = make("canvas", { "aria-hidden": "true" });
    this.svg = makeSvg("svg", { "aria-hidden": "true", focusable: "false" });
    this.element = make("div", { className: "stage", tabIndex: 0, role: "application", "aria-label": label }, this.canvas, this.svg);
    this.painter = filmPainter(this.canvas);
    this.overlay = new Overlay(this.svg);
    this.view = new FilmView(() => this.draw());
    this.window = { low: 0, high: 65535, inverted: false };
    /** @type {Place|null} film place under the lens */
    this.magnified = null;
    /** @type {(() => import("./affine.js").Affine)|null} matrix of another stage that this one follows */
    this.following = null;
    this.shown = false;
    this.asked = false;
    this.resizing = new ResizeObserver(() => this.#resize());
    this.resizing.observe(this.element);
  }

  /** @param {import("./film_store.js").LoadedFilm} film */
  load(film) {
    this.painter.load(film);
    this.shown = true;
    this.draw();
  }

  /** Draw with the next frame. */
  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.paint();
    });
  }

  /** Draw now. */
  paint() {
    if (this.following) this.view.screenFromFilm = this.following();
    const drawing = this.drawing();
    const lens = this.magnified ? this.#lens(this.magnified) : null;
    if (this.shown) {
      const { screenFromFilm } = this.view;
      this.painter.draw({ screenFromFilm, window: this.window, lens }, window.devicePixelRatio || 1);
    }
    this.overlay.render(this.view, drawing && { ...drawing, lens });
  }

  close() {
    this.resizing.disconnect();
    this.shown = false;
  }

  /** @param {Place} filmPlace */
  #lens(filmPlace) {
    const { view } = this;
    const at = view.toScreen(filmPlace);
    const y = at.y - LENS_AWAY > LENS_RADIUS + 4 ? at.y - LENS_AWAY : at.y + LENS_AWAY;
    const x = Math.min(Math.max(at.x, LENS_RADIUS + 4), view.width - LENS_RADIUS - 4);
    const factor = Math.max(LENS_ZOOM, LENS_LEAST / view.scale);
    const screenFromFilm = compose([factor, 0, 0, factor, x - factor * at.x, y - factor * at.y], view.screenFromFilm);
    return { x, y, radius: LENS_RADIUS, screenFromFilm };
  }

  #resize() {
    const { clientWidth: width, clientHeight: height } = this.element;
    const ratio = window.devicePixelRatio || 1;
    if (!width || !height) return;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.view.resize(width, height);
    this.paint();
  }
}
