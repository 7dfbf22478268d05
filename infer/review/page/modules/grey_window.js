/**
 * Which grey values the screen shows, from black to white.
 *
 * @typedef {{low: number, high: number, inverted: boolean}} GreyWindow
 */

const MOST = 65535;
const NARROWEST = 256;
/** Parts of the greys in use that the first window leaves out, and what it adds at its ends. */
const LOWEST = 0.02;
const HIGHEST = 0.995;
const ROOM = 0.06;

/** @param {number} level @param {number} width @param {boolean} inverted @returns {GreyWindow} */
export function windowOf(level, width, inverted) {
  const wide = Math.min(Math.max(width, NARROWEST), 2 * MOST);
  const middle = Math.min(Math.max(level, 0), MOST);
  return { low: middle - wide / 2, high: middle + wide / 2, inverted };
}

/** @param {GreyWindow} window */
export function levelAndWidth({ low, high }) {
  return { level: (low + high) / 2, width: high - low };
}

/** @param {GreyWindow} window @param {number} brighter part of the width by which dark values grow brighter @param {number} harder part by which the width shrinks */
export function adjusted(window, brighter, harder) {
  const { level, width } = levelAndWidth(window);
  return windowOf(level - brighter * width, width * (1 - harder), window.inverted);
}

/**
 * The window that the film states; where it states none, the greys that bones and soft parts use where the foot lies:
 * all but the lowest and highest of a small copy.
 *
 * @param {import("./film_store.js").LoadedFilm} film
 * @param {import("./types.js").Place[]} around points of the foot, film pixels; the whole film if there are none
 * @returns {GreyWindow}
 */
export function firstWindow({ window, levels }, around) {
  if (window.high - window.low < MOST) return { ...window, inverted: false };
  const { width, height, pixels } = levels[levels.length - 1];
  const factor = levels[0].width / width;
  const ends = (/** @type {number[]} */ values, /** @type {number} */ size) => values.length
    ? [Math.max(0, Math.floor(Math.min(...values) / factor)), Math.min(size, Math.ceil(Math.max(...values) / factor) + 1)] : [0, size];
  const [left, right] = ends(around.map((place) => place.x), width);
  const [top, bottom] = ends(around.map((place) => place.y), height);
  const greys = new Uint16Array((right - left) * (bottom - top));
  for (let row = top; row < bottom; row++) greys.set(pixels.subarray(row * width + left, row * width + right), (row - top) * (right - left));
  greys.sort();
  const at = (/** @type {number} */ part) => greys[Math.round(part * (greys.length - 1))] ?? 0;
  const [low, high] = [at(LOWEST), at(HIGHEST)];
  const room = ROOM * (high - low);
  return windowOf((low + high) / 2 + room / 4, high - low + 1.5 * room, false);
}
