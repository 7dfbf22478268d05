import { desk } from "./desk_api.js";
import { dayOrNone, stateWords } from "./desk_words.js";
import { DocumentForm } from "./document_form.js";
import { make, refill } from "./dom.js";
import { counted, say } from "./say.js";
import { saidWords } from "./statement_form.js";
import { paperWithWays, takeOffButton } from "./withdrawal.js";
import { footName, sideWord } from "./words.js";

/** One person: films by day, what changed between them, and the papers. */
export class PersonPage {
  /** @param {string} called */
  constructor(called) {
    this.called = called;
    this.title = called;
    this.films = make("section", { "aria-label": say("films_section") });
    this.steps = make("section", { "aria-label": say("change_section") });
    this.papers = make("section", { "aria-label": say("papers_section") });
    this.form = new DocumentForm(called, () => this.load());
    this.element = make("div", { className: "person-page" },
      make("p", {}, make("a", { href: "#/", className: "back", textContent: say("to_desk") })),
      make("h1", { tabIndex: -1, textContent: say("person_title", { person: called }) }), this.films, this.steps, this.form.element, this.papers);
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

  /** A film was taken off; without films there is no such person. @param {import("./types.js").ClinicFilm} film */
  gone(film) {
    if (this.person?.films.some(({ number }) => number !== film.number)) void this.load();
    else location.hash = "#/";
  }

  async load() {
    const person = await desk.person(this.called);
    this.person = person;
    refill(this.films, make("h2", { textContent: counted(person.films.length, "films") }),
      make("ul", { className: "cards" }, ...person.films.map((film) => filmCard(film, () => this.gone(film)))),
      person.left_out.length ? make("div", { className: "left-out" }, make("p", { textContent: say("in_no_report") }), make("ul", {}, ...person.left_out.map((text) => make("li", { textContent: text })))) : null);
    refill(this.steps, make("h2", { textContent: say("what_changed") }), person.steps.length ? steps(person.steps)
      : make("p", { className: "hint", textContent: say("nothing_to_compare") }));
    this.form.fill(person);
    refill(this.papers, make("h2", { textContent: say("written_heading") }), person.documents.length ? make("ul", { className: "papers" }, ...person.documents.map((paper) => paperWithWays(paper, () => void this.load()))) : make("p", { className: "hint", textContent: say("none_written") }));
  }
}

/** @param {import("./types.js").ClinicFilm} film @param {() => void} gone */
function filmCard(film, gone) {
  const feet = film.feet.map((foot) => make("li", {}, make("a", { href: `/#/foot/${foot.id}`, textContent: foot.found ? footName(foot.foot) : say("No_foot") }), ` ${stateWords(foot)} · ${foot.numbers.join(", ") || foot.reasons[0] || say("without_number")}`));
  const by = film.stated.person_by ? ` · ${say("put_by", { by: film.stated.person_by })}` : "";
  return make("li", {}, make("h3", {}, make("a", { href: `#/film/${film.number}`, textContent: `${dayOrNone(film.taken)} · ${film.given}` })),
    make("ul", {}, ...feet), make("p", { className: "about", textContent: `${saidWords(film.stated) || say("taking_not_stated")}${by}` }),
    make("p", {}, takeOffButton(film, gone)));
}

/** @param {import("./types.js").ClinicStep[]} all */
function steps(all) {
  const film = (/** @type {string} */ day, /** @type {string} */ how) => `${dayOrNone(day)}${how ? ` (${how})` : ""}`; // films of one day differ by it
  const head = ["foot", "measure", "from", "to", "difference", "verdict"].map((name) => say(`change_${name}`));
  return make("div", { className: "wide", tabIndex: 0, role: "region", "aria-label": say("differences") }, make("table", { className: "steps" },
    make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col", textContent: text })))),
    make("tbody", {}, ...all.map((step) => make("tr", {}, ...[sideWord(step.side), step.measure, film(step.first, step.first_how), film(step.second, step.second_how), step.difference || "–", step.verdict].map((text) => make("td", { textContent: text })))))));
}
