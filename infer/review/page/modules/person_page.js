import { desk } from "./desk_api.js";
import { dayWords, stateWords } from "./desk_words.js";
import { DocumentForm } from "./document_form.js";
import { make, refill } from "./dom.js";
import { saidWords } from "./statement_form.js";
import { counted, footName, moment, sideWord } from "./words.js";

/** One person: films by day, what changed between them, and the papers. */
export class PersonPage {
  /** @param {string} called */
  constructor(called) {
    this.called = called;
    this.title = called;
    this.films = make("section", { "aria-label": "Films" });
    this.steps = make("section", { "aria-label": "Change" });
    this.papers = make("section", { "aria-label": "Papers" });
    this.form = new DocumentForm(called, () => this.load());
    this.element = make("div", { className: "person-page" },
      make("p", {}, make("a", { href: "#/", className: "back", textContent: "← Desk" })),
      make("h1", { tabIndex: -1, textContent: `Person ${called}` }), this.films, this.steps, this.form.element, this.papers);
  }

  async open() {
    await this.load();
  }

  async measured() {
    await this.load();
  }

  unsaved() {
    return this.form.changed;
  }

  async load() {
    const person = await desk.person(this.called);
    this.person = person;
    refill(this.films, make("h2", { textContent: counted(person.films.length, "film") }),
      make("ul", { className: "cards" }, ...person.films.map(filmCard)),
      person.left_out.length ? make("div", { className: "left-out" }, make("p", { textContent: "In no report:" }), make("ul", {}, ...person.left_out.map((text) => make("li", { textContent: text })))) : null);
    refill(this.steps, make("h2", { textContent: "What changed" }), person.steps.length ? steps(person.steps)
      : make("p", { className: "hint", textContent: "One film of each foot, or none with a day: nothing to compare." }));
    this.form.fill(person);
    refill(this.papers, make("h2", { textContent: "Written" }), person.documents.length ? make("ul", { className: "papers" }, ...person.documents.map(paperLine)) : make("p", { className: "hint", textContent: "Nothing yet." }));
  }
}

/** @param {import("./types.js").ClinicFilm} film */
function filmCard(film) {
  const feet = film.feet.map((foot) => make("li", {}, make("a", { href: `/#/foot/${foot.id}`, textContent: foot.found ? footName(foot.foot) : "No foot" }), ` ${stateWords(foot)} · ${foot.numbers.join(", ") || foot.reasons[0] || "no number"}`));
  const by = film.stated.person_by ? ` · put to this person by ${film.stated.person_by}` : "";
  return make("li", {}, make("h3", {}, make("a", { href: `#/film/${film.number}`, textContent: `${dayWords(film.taken)} · ${film.given}` })),
    make("ul", {}, ...feet), make("p", { className: "about", textContent: `${saidWords(film.stated) || "nothing stated of how it was taken"}${by}` }));
}

/** @param {import("./types.js").ClinicStep[]} all */
function steps(all) {
  const head = ["Foot", "Measure", "From", "To", "Difference", "Verdict"];
  return make("div", { className: "wide", tabIndex: 0, role: "region", "aria-label": "Differences between films" }, make("table", { className: "steps" },
    make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col", textContent: text })))),
    make("tbody", {}, ...all.map((step) => make("tr", {}, ...[sideWord(step.side), step.measure, dayWords(step.first), dayWords(step.second), step.difference || "–", step.verdict].map((text) => make("td", { textContent: text })))))));
}

/** @param {import("./types.js").ClinicDocument} paper */
function paperLine(paper) {
  const kind = paper.kind === "letter" ? "Letter" : "Report";
  const who = paper.confirmed ? `confirmed by ${paper.by}` : `UNCONFIRMED, written by ${paper.by}`;
  const link = (/** @type {string|null} */ href, /** @type {string} */ text) => (href ? make("a", { href, target: "_blank", textContent: text }) : make("span", { textContent: `${text} is gone` }));
  return make("li", { className: paper.confirmed ? "" : "unconfirmed" }, `${kind} (${paper.language}), ${moment(paper.at)}, ${who}. `, link(paper.page, "Page"), " ", link(paper.pdf, "PDF"),
    paper.stale ? make("strong", { className: "stale", textContent: " Out of date: a number or a statement is another now." }) : null);
}
