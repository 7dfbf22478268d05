import { make } from "./dom.js";
import { knows, say } from "./say.js";

/**
 * How a film lies on the screen: toes up at first, by quarter turns and never mirrored, and said in words.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./film_view.js").FilmView} FilmView
 */

/** Where the toes point on the film, a unit vector in square pixels; null where no foot was found. @param {Pick<Foot, "outline"|"aspect">} foot @returns {Place|null} */
export function toesDirection({ outline, aspect }) {
  if (!outline) return null;
  const [a, b, c, d] = outline;
  const [x, y] = [a[0] + b[0] - c[0] - d[0], (a[1] + b[1] - c[1] - d[1]) * aspect];
  const length = Math.hypot(x, y);
  return length > 0 ? { x: x / length, y: y / length } : null;
}

/** Quarter turns, in degrees clockwise, that bring the toes up. @param {Pick<Foot, "outline"|"aspect">} foot @returns {0|90|180|270} */
export function turnToToesUp(foot) {
  const toes = toesDirection(foot);
  if (!toes) return 0;
  const quarters = Math.round((-90 - (Math.atan2(toes.y, toes.x) * 180) / Math.PI) / 90);
  return /** @type {0|90|180|270} */ ((((quarters % 4) + 4) % 4) * 90);
}

/** @param {number} degrees clockwise, 0 to 359 */
function turned(degrees) {
  if (degrees === 180) return say("turned_half");
  return degrees < 180 ? say("turned_clockwise", { degrees }) : say("turned_anticlockwise", { degrees: 360 - degrees });
}

/** How the film is shown, in a sentence. @param {FilmView} view @param {Foot} foot */
export function orientationWords(view, foot) {
  const toes = toesDirection(foot);
  const [a, b, c, d] = view.screenFromFilm;
  const way = toes && { x: a * toes.x + (c * toes.y) / foot.aspect, y: b * toes.x + (d * toes.y) / foot.aspect };
  const toesWay = !way ? "" : say(Math.abs(way.x) > Math.abs(way.y) ? (way.x > 0 ? "toes_right" : "toes_left") : way.y > 0 ? "toes_down" : "toes_up");
  const looks = say(knows(`looks_like_${foot.foot}`) ? `looks_like_${foot.foot}` : "looks_like");
  const { turn, mirrored } = view;
  const how = turn ? turned(turn) : "";
  if (mirrored) return how ? say("lies_mirrored_turned", { turned: how, looks }) : say("lies_mirrored", { looks });
  if (how) return say(toesWay ? "lies_turned_toes" : "lies_turned", { turned: how[0].toUpperCase() + how.slice(1), toes: toesWay });
  return say(toesWay ? "lies_as_filed_toes" : "lies_as_filed", { toes: toesWay });
}

/** The words on the film, with a button between the file's own orientation and toes up. */
export class Orientation {
  /** @param {Foot} foot @param {FilmView} view */
  constructor(foot, view) {
    this.foot = foot;
    this.view = view;
    this.words = make("span", { className: "words" });
    this.button = make("button", { type: "button", onclick: () => this.change() });
    this.element = make("div", { className: "orientation" }, this.words, this.button);
  }

  get asFiled() {
    return this.view.turn === 0 && !this.view.mirrored;
  }

  /** From the file's own orientation to toes up, from any other to the file's own. */
  change() {
    this.view.lay(this.asFiled ? turnToToesUp(this.foot) : 0);
  }

  update() {
    const words = orientationWords(this.view, this.foot);
    if (this.words.textContent !== words) this.words.textContent = words;
    const { asFiled } = this;
    const text = say(asFiled ? "toes_up_button" : "as_filed");
    if (this.button.textContent !== text) this.button.textContent = text;
    this.button.hidden = asFiled && turnToToesUp(this.foot) === 0;
    this.view.below = this.element.offsetHeight + 12;
  }

  /** Where it lies on the stage. @returns {import("./label_places.js").Box} */
  get box() {
    const { offsetLeft: x, offsetTop: y, offsetWidth: width, offsetHeight: height } = this.element;
    return { x, y, width, height };
  }
}
