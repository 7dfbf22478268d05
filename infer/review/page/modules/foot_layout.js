import { make } from "./dom.js";

/**
 * Where the parts of a foot's page lie: head, points, film, numbers and verdict. Their sizes, and what a narrow screen
 * folds away, are in the style sheet.
 *
 * @typedef {{head: Node, points: Node, tools: Node, stage: Node, card: Node, numbers: Node|null, noting: Node,
 *   history: Node, verdict: Node}} Parts
 */
export class FootLayout {
  /** @param {Parts} parts */
  constructor({ head, points, tools, stage, card, numbers, noting, history, verdict }) {
    this.stages = make("div", { className: "stages" }, stage);
    /** @type {Element|null} */
    this.beside = null;
    this.element = make("div", { className: "film-page" },
      head,
      make("section", { className: "points", "aria-labelledby": "points-title" },
        make("h2", { id: "points-title", textContent: "Points" }), points),
      make("section", { className: "middle", "aria-label": "Film" }, tools, this.stages, card),
      make("div", { className: "side" },
        make("div", { className: "side-scroll", tabIndex: 0, role: "region", "aria-label": "Numbers, note and history" }, numbers, noting, history),
        verdict));
  }

  /** Whether the list of points lies over a film that leaves it no room of its own. */
  get listOpen() {
    return this.element.classList.contains("list-open");
  }

  set listOpen(open) {
    this.element.classList.toggle("list-open", open);
  }

  /** A second film beside the first; null for one alone. @param {Element|null} other */
  setBeside(other) {
    this.element.classList.toggle("comparing", other !== null);
    this.beside?.remove();
    if (other) this.stages.append(other);
    this.beside = other;
  }

  /** What the page is at, for style sheet and tests. @param {"state"|"film"} what @param {string} value */
  mark(what, value) {
    this.element.dataset[what] = value;
  }
}
