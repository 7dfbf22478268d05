import { api, ApiError } from "./api.js";
import { arcs } from "./arcs.js";
import { useBones } from "./bones.js";
import { desk } from "./desk_api.js";
import { dayOrNone, stateWords } from "./desk_words.js";
import { make, makeSvg, refill } from "./dom.js";
import { PlainPainter } from "./film_painter.js";
import { FilmStore } from "./film_store.js";
import { FilmView } from "./film_view.js";
import { orientationWords, turnToToesUp } from "./orientation.js";
import { Overlay } from "./overlay.js";
import { say } from "./say.js";
import { StatementForm } from "./statement_form.js";
import { takeOffButton } from "./withdrawal.js";
import { amount, DECISIONS, footName, NUMBERLESS, range } from "./words.js";

/** One film with all its feet: axes and numbers of both, what is stated of it, and a way into each foot. */
export class BothFeet {
  /** @param {number} number */
  constructor(number) {
    this.number = number;
    this.title = say("film_number", { number });
    this.heading = make("h1", { tabIndex: -1, textContent: this.title });
    this.about = make("p", { className: "about" });
    this.picture = make("figure", { className: "both", tabIndex: 0 });
    this.feet = make("div", { className: "feet-beside" });
    this.said = make("section", { "aria-label": say("stated_section") });
    this.element = make("div", { className: "both-feet" },
      make("p", {}, this.back = make("a", { href: "#/", className: "back", textContent: say("to_desk") })),
      this.heading, this.about, make("div", { className: "film-and-feet" }, this.picture, this.feet), this.said, this.off = make("section", { className: "off", "aria-label": say("off_heading") }));
  }

  async open() {
    const film = await desk.film(this.number);
    this.#head(film);
    this.form = new StatementForm(film, (saved) => this.#head(saved));
    refill(this.said, make("h2", { textContent: say("stated_heading") }),
      film.measured ? this.form.element : make("p", { className: "hint", textContent: say(film.here ? "not_measured_yet" : "File_missing") }));
    refill(this.off, make("h2", { textContent: say("off_heading") }), make("p", { className: "hint", textContent: say("off_hint") }), make("p", { className: "deeds" }, takeOffButton(film, () => this.gone(), false)));
    if (film.measured) await this.#draw(film);
  }

  /** The film was taken off. */
  gone() {
    this.form = undefined;
    location.hash = "#/";
  }

  async measured() {
    if (!this.form?.changed) await this.open();
  }

  unsaved() {
    return Boolean(this.form?.changed);
  }

  /** @param {import("./types.js").ClinicFilm} film */
  #head(film) {
    this.title = film.given;
    this.heading.textContent = film.given;
    this.about.textContent = `${film.name} · ${dayOrNone(film.taken)} · ${film.person ? say("of_person", { person: film.person }) : say("of_nobody")}`;
    this.back.href = film.person ? `#/person/${encodeURIComponent(film.person)}` : "#/";
    this.back.textContent = film.person ? say("to_person", { person: film.person }) : say("to_desk");
  }

  /** @param {import("./types.js").ClinicFilm} film */
  async #draw(film) {
    const session = await api.session();
    useBones(session);
    const feet = await Promise.all(film.feet.map(({ id }) => api.foot(id)));
    refill(this.feet, ...film.feet.map((foot, i) => card(foot, feet[i], session)));
    const shown = feet.find(({ film_notice: notice }) => !notice);
    if (!shown || film.film_id === null) {
      refill(this.picture, make("p", { className: "hint", textContent: feet[0]?.film_notice ?? say("cannot_show_film") }));
      return;
    }
    try {
      const loaded = await new FilmStore().get(shown.film_id);
      refill(this.picture, ...painted(loaded, feet, session, film.given));
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      refill(this.picture, make("p", { className: "hint", textContent: error.message }));
    }
  }
}

/** @param {import("./types.js").ClinicFoot} line @param {import("./types.js").Foot} foot @param {import("./types.js").Session} session */
function card(line, foot, session) {
  const reasons = line.reasons.length ? make("ul", {}, ...line.reasons.map((text) => make("li", { textContent: text }))) : null;
  const rows = session.measures.map((measure) => {
    const found = foot.measured.measures.find(({ name }) => name === measure.name);
    const value = found?.value ?? null;
    return make("tr", {}, make("th", { scope: "row", textContent: measure.abbreviation }), make("td", { textContent: value === null ? say("withheld_word") : amount(value, measure.unit) }),
      make("td", { textContent: value === null ? found?.withheld ?? "" : range(/** @type {any} */ (found), measure.unit) }));
  });
  return make("section", { className: "foot-card", "aria-label": line.found ? footName(line.foot) : say("No_foot") },
    make("h2", { textContent: line.found ? footName(line.foot) : say("no_foot_found") }),
    make("p", { className: "state", textContent: say("model_said", { state: stateWords(line), decision: DECISIONS[line.decision]?.text ?? line.decision }) }), reasons,
    NUMBERLESS.has(line.state) || !line.found ? null : make("table", { className: "figures" }, make("tbody", {}, ...rows)),
    make("p", {}, make("a", { className: "button", href: `/#/foot/${line.id}`, textContent: say(line.state === "open" ? "look_correct" : "open_foot") })));
}

/**
 * A foot's box, reaching half of the way to the other foot: labels between two feet belong to the nearer one.
 *
 * @typedef {import("./label_places.js").Box} Box
 * @param {Box} box @param {Box|null} other @returns {Box}
 */
function widened(box, other) {
  if (!other) return box;
  const toRight = other.x - (box.x + box.width);
  const toLeft = box.x - (other.x + other.width);
  if (toRight > 0) return { ...box, width: box.width + toRight / 2 };
  return toLeft > 0 ? { ...box, x: box.x - toLeft / 2, width: box.width + toLeft / 2 } : box;
}

/** The whole film with the axes of every foot. @param {import("./film_store.js").LoadedFilm} film @param {import("./types.js").Foot[]} feet @param {import("./types.js").Session} session @param {string} name */
function painted(film, feet, session, name) {
  const first = feet[0];
  const view = new FilmView(() => {});
  view.width = view.height = 1000;
  view.open({ rows: film.rows, columns: film.columns, aspect: first.aspect }, [], turnToToesUp(first));
  const corners = [{ x: 0, y: 0 }, { x: film.columns - 1, y: 0 }, { x: 0, y: film.rows - 1 }, { x: film.columns - 1, y: film.rows - 1 }].map((place) => view.toScreen(place));
  const extent = (/** @type {"x"|"y"} */ part) => Math.max(...corners.map((corner) => corner[part])) - Math.min(...corners.map((corner) => corner[part]));
  const scale = Math.min(720 / extent("x"), 560 / extent("y"));
  view.width = Math.round(extent("x") * scale);
  view.height = Math.round(extent("y") * scale);
  view.fit();
  const sharp = Math.max(1, window.devicePixelRatio || 1);
  const canvas = make("canvas", { width: view.width * sharp, height: view.height * sharp, role: "img", "aria-label": say("film_picture", { film: name }) });
  const painter = new PlainPainter(canvas);
  painter.load(film);
  painter.draw({ screenFromFilm: view.screenFromFilm, window: { ...film.window, inverted: false } }, sharp);
  canvas.style.width = `${view.width}px`;
  canvas.style.height = `${view.height}px`;
  const picture = make("div", { className: "stage" }, canvas);
  picture.style.width = `${view.width}px`;
  picture.style.height = `${view.height}px`;
  // Where the other feet lie, so that no label stands on another foot.
  const boxes = feet.map(({ points }) => {
    const places = points.flatMap(({ x, y }) => (x === null || y === null ? [] : [view.toScreen({ x, y })]));
    if (!places.length) return null;
    const [left, top] = [Math.min(...places.map(({ x }) => x)), Math.min(...places.map(({ y }) => y))];
    return { x: left, y: top, width: Math.max(...places.map(({ x }) => x)) - left, height: Math.max(...places.map(({ y }) => y)) - top };
  });
  for (const [i, foot] of feet.entries()) {
    const { axes, measures } = foot.measured;
    const reserved = boxes.flatMap((box, other) => (box && other !== i ? [widened(box, boxes[i])] : []));
    const svg = makeSvg("svg", { "aria-hidden": "true", focusable: "false", width: view.width, height: view.height });
    new Overlay(svg).render(view, { points: [], axes, selected: null, labels: false, cross: null, outline: axes.length ? null : foot.outline, guide: null, reserved, legend: false,
      arcs: (lines) => (NUMBERLESS.has(foot.state) ? [] : arcs(session, foot.construction, measures, lines)) });
    picture.append(svg);
  }
  return [picture, make("figcaption", { textContent: orientationWords(view, first) })];
}
