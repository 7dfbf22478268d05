import { api } from "./api.js";
import { apply, compose, invert, similarity } from "./affine.js";
import { make, refill } from "./dom.js";
import { fitArea } from "./fit_area.js";
import { firstWindow } from "./grey_window.js";
import { turnToToesUp } from "./orientation.js";
import { Stage } from "./stage.js";
import { STATES } from "./words.js";

/**
 * The same foot on another film of the same person beside this one, laid so that the second metatarsals agree, zoomed and
 * moved with it. What differs stands with the numbers.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./affine.js").Affine} Affine
 */

const SHAFT = ["M2p_med", "M2p_lat", "M2d_med", "M2d_lat"];

export class Compare {
  /**
   * @param {Foot} foot
   * @param {import("./types.js").Session} session
   * @param {import("./film_store.js").FilmStore} films
   * @param {{view: import("./film_view.js").FilmView, place: (code: string) => Place|null, hidden: () => boolean,
   *   chosen: (other: Foot|null) => void}} here this side
   */
  constructor(foot, session, films, here) {
    this.foot = foot;
    this.session = session;
    this.films = films;
    this.here = here;
    /** @type {Foot|null} */
    this.other = null;
    this.asked = 0;
    this.list = make("select", { id: "other", onchange: () => this.show(Number(this.list.value)) });
    this.words = make("p", { className: "hint", role: "status" });
    this.stage = new Stage("The other film; it follows the film on the left", () => this.#drawing());
    this.element = make("section", { className: "compare", "aria-label": "Another film of this foot" },
      make("div", { className: "compare-head" },
        make("label", { for: "other", textContent: "Other film" }), this.list),
      this.stage.element, this.words);
    // It only follows: nothing to reach by keys.
    this.stage.element.tabIndex = -1;
    this.stage.element.setAttribute("role", "img");
  }

  async open() {
    const found = await api.others(this.foot.id, "");
    if (this.closed) return;
    this.taken = found.taken;
    this.person = found.person;
    /** @type {Map<number, any>} */
    this.offered = new Map(found.feet.map((/** @type {any} */ one) => [one.id, one]));
    refill(this.list, ...found.feet.map((/** @type {any} */ one) =>
      make("option", { value: String(one.id), textContent: [one.taken ?? "day unknown", one.film, one.unfit ? "not compared" : ""].filter(Boolean).join(", ") })));
    this.list.disabled = !found.feet.length;
    if (found.feet.length) await this.show(found.feet[0].id);
    else this.words.textContent = found.why ?? "";
  }

  /** @param {number} id */
  async show(id) {
    const asked = ++this.asked;
    const other = await api.foot(id);
    if (asked !== this.asked || this.closed) return;
    this.other = other;
    this.list.value = String(id);
    this.here.chosen(other);
    const offered = this.offered?.get(id);
    const about = [`${offered?.taken ?? "Day unknown"}; this film: ${this.taken ?? "day unknown"}. By the identifier in both files one person (code ${this.person})`,
      offered?.unfit ?? STATES[other.state]?.text ?? other.state].join("; ");
    if (other.film_notice) {
      this.words.textContent = `${about}. ${other.film_notice}`;
      return;
    }
    const film = await this.films.get(other.film_id);
    if (this.other !== other) return;
    this.stage.view.rows = film.rows;
    this.stage.view.columns = film.columns;
    this.stage.window = firstWindow(film, home(other));
    const aligned = this.#aligned(other);
    if (aligned) {
      this.stage.following = () => this.#fitted(compose(this.here.view.screenFromFilm, aligned));
    } else {
      this.stage.following = null;
      this.stage.view.open(other, fitArea(other), turnToToesUp(other));
    }
    this.words.textContent = `${about}. ${aligned
      ? "Shafts of the second metatarsals laid over each other."
      : "Not aligned: the second metatarsal is not placed on both films."}`;
    this.stage.load(film);
  }

  /** Draw again when this side moved. */
  follow() {
    this.stage.draw();
  }

  close() {
    this.closed = true;
    this.stage.close();
    this.here.chosen(null);
  }

  /** Both stages show the same middle, whatever their sizes. @param {Affine} matrix @returns {Affine} */
  #fitted([a, b, c, d, e, f]) {
    const { view } = this.stage;
    return [a, b, c, d, e + (view.width - this.here.view.width) / 2, f + (view.height - this.here.view.height) / 2];
  }

  /** From film pixels of the other to those of this film. @param {Foot} other @returns {Affine|null} */
  #aligned(other) {
    const places = new Map(other.points.filter((point) => point.visible && point.x !== null).map((point) => [point.code, /** @type {Place} */ (point)]));
    const ours = ends((code) => this.here.place(code));
    const theirs = ends((code) => places.get(code) ?? null);
    if (!ours || !theirs) return null;
    // Square pixels on both sides, so that a similarity keeps angles.
    const square = (/** @type {number} */ aspect) => /** @type {Affine} */ ([1, 0, 0, aspect, 0, 0]);
    const [here, there] = [square(this.foot.aspect), square(other.aspect)];
    const stretched = (/** @type {Affine} */ map, /** @type {{ends: [Place, Place], across: Place}} */ bone) =>
      ({ ends: /** @type {[Place, Place]} */ ([apply(map, bone.ends[0]), apply(map, bone.ends[1])]), across: apply(map, bone.across) });
    const [to, from] = [stretched(here, ours), stretched(there, theirs)];
    const map = similarity(from.ends, to.ends, turning(from) !== turning(to));
    return compose(invert(here), compose(map, there));
  }

  #drawing() {
    if (!this.other || this.here.hidden()) return null;
    const needed = new Set(this.session.schema.filter((landmark) => landmark.needed).map((landmark) => landmark.code));
    return {
      points: this.other.points.filter((point) => needed.has(point.code) && point.visible && point.x !== null)
        .map((point) => ({ code: point.code, kind: /** @type {"model"|"moved"|"doubtful"} */ (point.moved ? "moved" : point.doubtful ? "doubtful" : "model"), place: /** @type {Place} */ ({ x: point.x, y: point.y }) })),
      axes: this.other.measured.axes, selected: null, labels: false, cross: null, outline: null,
    };
  }
}

/** The part of a film where its foot lies: its needed points, or else its outline. @param {Foot} foot @returns {Place[]} */
export function home({ points, outline, rows, columns }) {
  const placed = points.filter((point) => point.x !== null && point.visible);
  if (placed.length > 2) return placed.map(({ x, y }) => ({ x: /** @type {number} */ (x), y: /** @type {number} */ (y) }));
  return (outline ?? []).map(([x, y]) => ({ x: Math.min(Math.max(x, 0), columns - 1), y: Math.min(Math.max(y, 0), rows - 1) }));
}

/** Mid-points of the shaft of the second metatarsal at both levels, and its medial side. @param {(code: string) => Place|null} place */
function ends(place) {
  const [pm, pl, dm, dl] = SHAFT.map(place);
  if (!pm || !pl || !dm || !dl) return null;
  const middle = (/** @type {Place} */ a, /** @type {Place} */ b) => ({ x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 });
  return { ends: /** @type {[Place, Place]} */ ([middle(pm, pl), middle(dm, dl)]), across: pm };
}

/** On which hand the medial side lies, going distally. @param {{ends: [Place, Place], across: Place}} bone */
function turning({ ends: [base, head], across }) {
  return (head.x - base.x) * (across.y - base.y) - (head.y - base.y) * (across.x - base.x) > 0;
}
