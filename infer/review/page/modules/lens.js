import { invert, scaleOf } from "./affine.js";
import { make } from "./dom.js";

/**
 * The magnifier beside a point that is moved: a small round picture of the film around it, above everything else.
 *
 * @typedef {import("./types.js").Place} Place
 */

const RADIUS = 76;
/** How far its middle lies from the point, so that neither pointer nor finger covers it. */
const AWAY = 128;
/** Magnification over the view, and the least it shows, screen pixels for each film pixel. */
const ZOOM = 3;
const LEAST = 4;

export class Lens {
  constructor() {
    this.element = make("canvas", { className: "lens", "aria-hidden": "true", hidden: true });
    this.context = /** @type {CanvasRenderingContext2D} */ (this.element.getContext("2d", { alpha: false }));
  }

  /**
   * @param {import("./film_view.js").FilmView} view
   * @param {import("./film_store.js").LoadedFilm|null} film
   * @param {import("./grey_window.js").GreyWindow} window
   * @param {Place|null} place film place in its middle; null puts it away
   */
  show(view, film, window, place) {
    this.element.hidden = !place || !film;
    if (!place || !film) return;
    const at = view.toScreen(place);
    const y = at.y - AWAY > RADIUS + 4 ? at.y - AWAY : at.y + AWAY;
    const x = Math.min(Math.max(at.x, RADIUS + 4), view.width - RADIUS - 4);
    this.element.style.left = `${x - RADIUS}px`;
    this.element.style.top = `${y - RADIUS}px`;
    const side = 2 * RADIUS * (globalThis.devicePixelRatio || 1);
    if (this.element.width !== Math.round(side)) this.element.width = this.element.height = Math.round(side);
    this.#paint(view, film.levels[0], window, place);
  }

  /** @param {import("./film_view.js").FilmView} view @param {import("./halved.js").Level} film @param {import("./grey_window.js").GreyWindow} window @param {Place} place */
  #paint(view, { width, height, pixels }, { low, high, inverted }, place) {
    const size = this.element.width;
    const perPixel = (2 * RADIUS) / size / Math.max(ZOOM, LEAST / scaleOf(view.screenFromFilm));
    const [a, b, c, d] = invert(view.screenFromFilm).map((part) => part * perPixel);
    const picture = this.context.createImageData(size, size);
    const middle = (size - 1) / 2;
    const factor = 255 / Math.max(high - low, 1);
    for (let row = 0, to = 0; row < size; row++) {
      for (let column = 0; column < size; column++, to += 4) {
        const [u, v] = [column - middle, row - middle];
        const x = place.x + a * u + c * v;
        const y = place.y + b * u + d * v;
        const [left, top] = [Math.floor(x), Math.floor(y)];
        let grey = 14;
        if (left >= 0 && top >= 0 && left < width - 1 && top < height - 1) {
          const [s, t] = [x - left, y - top];
          const from = top * width + left;
          const upper = pixels[from] + s * (pixels[from + 1] - pixels[from]);
          const lower = pixels[from + width] + s * (pixels[from + width + 1] - pixels[from + width]);
          grey = (upper + t * (lower - upper) - low) * factor;
          if (inverted) grey = 255 - grey;
        }
        picture.data[to] = picture.data[to + 1] = picture.data[to + 2] = grey;
        picture.data[to + 3] = 255;
      }
    }
    const { context } = this;
    context.putImageData(picture, 0, 0);
    context.strokeStyle = "rgb(255 255 255 / 75%)";
    context.beginPath();
    const gap = 7;
    for (const [from, to] of [[0, size / 2 - gap], [size / 2 + gap, size]]) {
      context.moveTo(from, size / 2);
      context.lineTo(to, size / 2);
      context.moveTo(size / 2, from);
      context.lineTo(size / 2, to);
    }
    context.stroke();
  }
}
