import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { desk } from "./desk_api.js";
import { make, refill } from "./dom.js";
import { counted, say } from "./say.js";

/** Films of which nobody says whose they are: several are put to one person at once, each with a statement of its own. */
export class Grouping {
  /** @param {import("./types.js").ClinicFilm[]} films @param {(film: import("./types.js").ClinicFilm) => HTMLElement[]} line @param {() => Promise<void>} grouped */
  constructor(films, line, grouped) {
    this.films = films;
    this.grouped = grouped;
    /** @type {Map<number, any>} */
    this.boxes = new Map(films.map(({ number, given }) => [number, make("input", { type: "checkbox", "aria-label": say("choose_film", { film: given }) })]));
    this.code = make("input", { id: "group-person", type: "text", autocomplete: "off", size: 12 });
    this.error = make("p", { className: "missing", role: "alert" });
    this.element = make("form", { className: "grouping", noValidate: true },
      make("ul", { className: "film-list" }, ...films.map((film) => make("li", {}, make("span", { className: "check" }, this.boxes.get(film.number)), ...line(film)))),
      make("p", { className: "deeds" }, make("label", { for: "group-person", textContent: say("put_to") }), this.code,
        make("button", { type: "submit", textContent: say("put_together") })),
      make("p", { className: "hint", textContent: say("put_hint") }), this.error);
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
      this.error.textContent = say(chosen.length ? "state_code" : "choose_first");
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
    announce(say("films_put", { films: counted(chosen.length - failed.length, "films"), person }));
    if (!failed.length) {
      this.code.value = "";
      await this.grouped();
    }
  }
}
