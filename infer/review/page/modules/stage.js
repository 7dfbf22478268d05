import { make, makeSvg } from "./dom.js";
import { filmPainter } from "./film_painter.js";
import { FilmView } from "./film_view.js";
import { Lens } from "./lens.js";
import { Overlay } from "./overlay.js";

/**
 * @typedef {import("./overlay.js").Drawing} Drawing
 * @typedef {import("./types.js").Place} Place
 */

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
    this.lens = new Lens();
    this.element.append(this.lens.element);
    this.painter = filmPainter(this.canvas);
    this.overlay = new Overlay(this.svg);
    this.view = new FilmView(() => this.draw());
    this.window = { low: 0, high: 65535, inverted: false };
    /** @type {Place|null} film place under the lens */
    this.magnified = null;
    /** @type {(() => import("./affine.js").Affine)|null} matrix of another stage that this one follows */
    this.following = null;
    /** @type {import("./film_store.js").LoadedFilm|null} */
    this.film = null;
    this.painted = "";
    this.asked = false;
    this.resizing = new ResizeObserver(() => this.#resize());
    this.resizing.observe(this.element);
  }

  /** @param {import("./film_store.js").LoadedFilm} film */
  load(film) {
    this.painter.load(film);
    this.film = film;
    this.painted = "";
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
    const { screenFromFilm } = this.view;
    // The film is drawn again only if it looks otherwise than before: points move more often.
    const picture = JSON.stringify([screenFromFilm, this.window, this.canvas.width, this.canvas.height]);
    if (this.film && picture !== this.painted) {
      this.painter.draw({ screenFromFilm, window: this.window }, window.devicePixelRatio || 1);
      this.painted = picture;
    }
    this.overlay.render(this.view, this.drawing());
    this.lens.show(this.view, this.film, this.window, this.magnified);
  }

  close() {
    this.resizing.disconnect();
    this.film = null;
  }

  #resize() {
    const { clientWidth: width, clientHeight: height } = this.element;
    const ratio = window.devicePixelRatio || 1;
    if (!width || !height) return;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.painted = "";
    this.view.resize(width, height);
    this.paint();
  }
}
