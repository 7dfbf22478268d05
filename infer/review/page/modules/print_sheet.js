import { axisBone, boneColour } from "./bones.js";
import { make, makeSvg, refill } from "./dom.js";
import { PlainPainter } from "./film_painter.js";
import { FilmView } from "./film_view.js";
import { fitArea } from "./fit_area.js";
import { orientationWords, turnToToesUp } from "./orientation.js";
import { Overlay } from "./overlay.js";
import { reasonWords } from "./reason_words.js";
import { DECISIONS, NUMBERLESS, STATES, amount, cautionWords, counted, footName, levelWords, moment, range, spaced } from "./words.js";

/**
 * One foot on paper: the film with its axes, the numbers with all that belongs to them, and who stands for them. It is
 * made when the browser prints, and gone afterwards.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Session} Session
 * @typedef {{foot: Foot, session: Session, title: string, side: string, construction: string,
 *   measured: import("./types.js").Measurements|null, behind: boolean, unsaved: number, changed: string[], note: string,
 *   reader: string,
 *   film: import("./film_store.js").LoadedFilm|null, window: import("./grey_window.js").GreyWindow,
 *   drawing: import("./overlay.js").Drawing|null, worded: (text: string) => string}} Sheet
 *   `behind`: the numbers do not belong to the points yet; `changed`: what else is not saved; `worded` puts names in place of codes of points
 */

/** The film on paper, CSS pixels, at most; and device pixels for each, so that it is sharp. */
const LARGEST = { width: 430, height: 500 };
const SHARP = 3;
const GROUND = "#0e1012";

export class PrintSheet {
  /** @param {() => Sheet} sheet */
  constructor(sheet) {
    this.sheet = sheet;
    /** @type {HTMLElement|null} */
    this.element = null;
    this.media = window.matchMedia("print");
    this.lay = () => this.#lay();
    this.clear = () => this.#clear();
    this.changed = () => (this.media.matches ? this.#lay() : this.#clear());
    window.addEventListener("beforeprint", this.lay);
    window.addEventListener("afterprint", this.clear);
    this.media.addEventListener("change", this.changed);
  }

  close() {
    window.removeEventListener("beforeprint", this.lay);
    window.removeEventListener("afterprint", this.clear);
    this.media.removeEventListener("change", this.changed);
    this.#clear();
  }

  #clear() {
    this.element?.remove();
    this.element = null;
  }

  #lay() {
    this.#clear();
    this.element = paper(this.sheet());
    document.body.append(this.element);
  }
}

/** @param {Sheet} sheet @returns {HTMLElement} */
function paper(sheet) {
  const { foot, session, title, side } = sheet;
  const blind = session.study !== null;
  const decision = foot.decision ? DECISIONS[foot.decision] : null;
  const reasons = [...(foot.reasons ?? []), ...foot.remarks].map(reasonWords);
  const { picture, words } = film(sheet);
  return make("main", { className: "print-sheet", "aria-label": "Sheet for print" },
    make("h1", { textContent: `${title}, ${foot.foot || side ? footName(side).toLowerCase() : "no foot found"}` }),
    make("p", { className: "standing", textContent: standing(sheet) }),
    make("p", { className: "warning", textContent: cautionWords(session) }),
    make("div", { className: "halves" },
      make("figure", {}, picture, make("figcaption", { textContent: words })),
      make("div", { className: "facts" },
        make("h2", { textContent: blind ? "Blind read" : "State" }),
        make("p", { textContent: stateWords(foot) }),
        decision ? make("p", { textContent: `The model's decision: ${decision.text}` }) : null,
        reasons.length ? make("h2", { textContent: "Reasons and remarks" }) : null,
        reasons.length ? make("ul", {}, ...reasons.map((reason) => make("li", { textContent: reason }))) : null,
        sheet.drawing?.axes.length ? make("h2", { textContent: "Lines" }) : null,
        sheet.drawing?.axes.length ? legend(sheet) : null,
        sheet.note ? make("h2", { textContent: "Note" }) : null,
        sheet.note ? make("p", { className: "note", textContent: sheet.note }) : null)),
    blind ? null : numbers(sheet),
    make("p", { className: "made", textContent: `Raysplay review, ${session.study ? `study ${session.study.name}` : `run ${session.run.name}`}. Printed ${moment(new Date().toISOString())} by ${sheet.reader}.` }));
}

/** @param {Foot} foot */
function stateWords(foot) {
  const { text } = STATES[foot.state] ?? { text: foot.state };
  return `${text[0].toUpperCase()}${text.slice(1)}${foot.reason ? `: ${foot.reason}` : ""}`;
}

/** Who stands for what is printed. @param {Sheet} sheet */
function standing({ foot, session, unsaved, changed }) {
  const last = foot.history.at(-1);
  const by = last ? ` by ${last.reader}, ${moment(last.when)}` : "";
  const open = [unsaved ? `${counted(unsaved, "point")} changed` : "", ...changed].filter(Boolean);
  if (open.length) return `Not saved and not confirmed: ${open.join(", ")} on this page.`;
  if (session.study) return foot.state === "open" ? "Not saved yet." : "Saved.";
  if (foot.state === "confirmed") return `Confirmed${by}.`;
  if (foot.state === "corrected") return `Corrected and saved${by}.`;
  if (foot.state !== "open") return `${stateWords(foot)}${by ? `. Said${by}` : ""}.`;
  if (last) return `Not confirmed: reopened${by}.`;
  return foot.decision === "refused" ? "Not confirmed: the model refused this one." : "Not confirmed: the model's reading.";
}

/** @param {Sheet} sheet */
function numbers({ foot, session, measured, behind, construction, worded }) {
  if (NUMBERLESS.has(foot.state)) return make("p", { textContent: `No numbers: ${stateWords(foot).toLowerCase()}.` });
  if (behind) return make("p", { className: "standing", textContent: "The numbers were still being worked out when this was printed. Print again." });
  if (!measured || !measured.measures.some((one) => one.value !== null)) return make("p", { textContent: "No numbers." });
  const scheme = session.grading.find((one) => one.name === measured.grading);
  const method = (/** @type {string} */ name) => session.constructions.find((one) => one.name === name)?.title ?? name.replaceAll("_", " ");
  const head = ["Measure", "Value", `${levelWords(session.level)} interval`, "Axis method", "Grade"];
  const rows = session.measures.map((measure) => {
    const found = measured.measures.find((one) => one.name === measure.name);
    const grade = measured.grades.find((one) => one.measure === measure.name);
    const value = found?.value ?? null;
    return make("tr", {}, make("th", { scope: "row", textContent: `${measure.title} (${measure.abbreviation})` }),
      make("td", { className: "value", textContent: value === null ? "withheld" : amount(value, measure.unit) }),
      make("td", { textContent: value === null ? worded(found?.withheld || "not given") : [range(/** @type {any} */ (found), measure.unit), ...marks(found)].join("; ") }),
      make("td", { textContent: method(found?.construction || construction) }),
      make("td", { textContent: grade ? `${grade.grade || grade.why}${grade.borderline ? `, near the border at ${amount(grade.border, measure.unit)}` : ""}` : "" }));
  });
  const references = session.measures.filter((measure) => measure.reference && measured.measures.some((one) => one.name === measure.name && one.value !== null));
  return make("section", {}, make("table", { className: "figures" },
    make("caption", { textContent: `Numbers. Grades by ${gradedBy(scheme, measured.grading)}.` }),
    make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col", textContent: text })))), make("tbody", {}, ...rows)),
    ...references.map((measure) => make("p", { className: "made", textContent: `${measure.abbreviation}: no grades; ${measure.reference?.brief}.` })));
}

/** A scheme with its source, which may begin with its name. @param {import("./types.js").GradingScheme|undefined} scheme @param {string} name */
function gradedBy(scheme, name) {
  const { title = name, cited = "" } = scheme ?? {};
  return cited.startsWith(title) ? cited : [title, cited].filter(Boolean).join(", ");
}

/** What else belongs to a number that is given. @param {import("./types.js").Measured|undefined} found */
function marks(found) {
  const taken = found?.held && found.accepted ? `withheld${found.held.by_run ? " by the run" : ""} (${spaced(found.held.cause)}), accepted by ${found.accepted}` : "";
  return [taken, found?.proven === false ? "unproven" : "", found?.low_confidence ? "low confidence" : ""].filter(Boolean);
}

/** Which line is which: on the ground that the lines are made for. @param {Sheet} sheet */
function legend({ drawing }) {
  const axes = drawing?.axes ?? [];
  return make("ul", { className: "lines" }, ...axes.map((axis) => make("li", {},
    makeSvg("svg", { width: 30, height: 12, "aria-hidden": "true" }, makeSvg("rect", { width: 30, height: 12, fill: GROUND }), makeSvg("path", { d: "M4 6h22", stroke: boneColour(axis.name), "stroke-width": 2.5 })),
    axisBone(axis))));
}

/** The film, toes up and never mirrored, whatever the reader's own view; and how it lies, in words. @param {Sheet} sheet */
function film({ foot, film, window: greys, drawing, title, behind }) {
  if (!film) return { picture: make("p", { className: "no-film", textContent: foot.film_notice || "The film is not shown on this page." }), words: "" };
  const view = new FilmView(() => {});
  view.width = view.height = 1000;
  const area = fitArea(foot);
  view.open({ rows: film.rows, columns: film.columns, aspect: foot.aspect }, area, turnToToesUp(foot));
  const corners = (area.length ? area : [{ x: 0, y: 0 }, { x: film.columns - 1, y: film.rows - 1 }]).map((place) => view.toScreen(place));
  const extent = (/** @type {"x"|"y"} */ part) => Math.max(...corners.map((corner) => corner[part])) - Math.min(...corners.map((corner) => corner[part]));
  const scale = Math.min(LARGEST.width / extent("x"), LARGEST.height / extent("y"));
  view.width = Math.round(extent("x") * scale);
  view.height = Math.round(extent("y") * scale);
  view.fit();
  const canvas = make("canvas", { width: view.width * SHARP, height: view.height * SHARP, role: "img", "aria-label": `Film of ${title} with axes` });
  const painter = new PlainPainter(canvas);
  painter.load(film);
  painter.draw({ screenFromFilm: view.screenFromFilm, window: greys }, SHARP);
  const svg = makeSvg("svg", { "aria-hidden": "true", focusable: "false", width: view.width, height: view.height });
  new Overlay(svg).render(view, drawing && { ...drawing, selected: null, labels: false, cross: null, guide: null, reserved: [], legend: false, ...(behind ? { arcs: undefined } : {}) });
  canvas.style.width = `${view.width}px`;
  canvas.style.height = `${view.height}px`;
  const picture = make("div", { className: "print-film stage" });
  refill(picture, canvas, svg);
  picture.style.width = `${view.width}px`;
  picture.style.height = `${view.height}px`;
  return { picture, words: orientationWords(view, foot) };
}
