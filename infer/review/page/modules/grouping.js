import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { desk } from "./desk_api.js";
import { make, refill } from "./dom.js";
import { counted } from "./words.js";

/** Films of which nobody says whose they are: several are put to one person at once, each with a statement of its own. */
export class Grouping {
  /** @param {import("./types.js").ClinicFilm[]} films @param {(film: import("./types.js").ClinicFilm) => HTMLElement[]} line @param {() => Promise<void>} grouped */
  constructor(films, line, grouped) {
    this.films = films;
    this.grouped = grouped;
    /** @type {Map<number, any>} */
    this.boxes = new Map(films.map(({ number, given }) => [number, make("input", { type: "checkbox", "aria-label": `Choose ${given}` })]));
    this.code = make("input", { id: "group-person", type: "text", autocomplete: "off", size: 12 });
    this.error = make("p", { className: "missing", role: "alert" });
    this.element = make("form", { className: "grouping", noValidate: true },
      make("ul", { className: "film-list" }, ...films.map((film) => make("li", {}, make("span", { className: "check" }, this.boxes.get(film.number)), ...line(film)))),
      make("p", { className: "deeds" }, make("label", { for: "group-person", textContent: "Those that are chosen are films of person " }), this.code,
        make("button", { type: "submit", textContent: "Put together" })),
      make("p", { className: "hint", textContent: "A code such as P-07, never a name. Look at each film first: nothing else tells that it is this person's." }), this.error);
    this.element.addEventListener("submit", (/** @type {Event} */ event) => {
      event.preventDefault();
      void this.group();
    });
  }

  /** Whether something is chosen or typed, which a new list would lose. */
  get begun() {
    return this.code.value !== "" || [...this.boxes.values()].some((box) => box.checked);
  }

  async group() {
    const person = this.code.value.trim();
    const chosen = this.films.filter(({ number }) => this.boxes.get(number).checked);
    if (!chosen.length || !person) {
      this.error.textContent = chosen.length ? "State the person's code." : "Choose the films first.";
      return;
    }
    const failed = [];
    for (const { number, given, stated } of chosen) {
      const { at, by, person_by: before, ...rest } = stated;
      try {
        await desk.say(number, /** @type {any} */ ({ ...rest, person }));
        this.boxes.get(number).checked = false;
      } catch (problem) {
        if (!(problem instanceof ApiError)) throw problem;
        failed.push(`${given}: ${problem.message}`);
      }
    }
    refill(this.error, failed.join(" "));
    announce(`${counted(chosen.length - failed.length, "film")} put to ${person}.`);
    if (!failed.length) {
      this.code.value = "";
      await this.grouped();
    }
  }
}
