import { desk } from "./desk_api.js";
import { dayOrNone, howFarWords, stateWords } from "./desk_words.js";
import { make, refill } from "./dom.js";
import { Dropping } from "./dropping.js";
import { Grouping } from "./grouping.js";
import { counted, language, languages, say } from "./say.js";
import { takeOffButton, withdrawnList } from "./withdrawal.js";
import { footName } from "./words.js";

/** The empty or full desk: films come in, persons, and films of nobody. */
export class DeskHome {
  /** @param {() => void} arrived told after each file that came */
  constructor(arrived) {
    this.title = say("desk");
    this.dropping = new Dropping(() => {
      arrived();
      void this.load();
    });
    this.progress = make("progress", { max: 1, value: 0, "aria-label": say("films_measured_bar"), hidden: true });
    this.far = make("p", { className: "how-far", role: "status" });
    this.search = make("input", { type: "search", id: "search", placeholder: say("search_hint") });
    this.typing = 0;
    /** @type {Grouping|null} */
    this.grouping = null;
    this.search.addEventListener("input", () => {
      clearTimeout(this.typing);
      this.typing = window.setTimeout(() => void this.load(), 200);
    });
    this.persons = make("div", { className: "persons" });
    this.withdrawn = make("div", {});
    this.films = make("div", { className: "films" });
    this.language = make("select", { id: "card-language", "aria-label": say("card_language") }, ...languages.map(([value, textContent]) => make("option", { value, textContent, selected: value === language, lang: value })));
    this.element = make("div", { className: "desk-home" },
      make("h1", { tabIndex: -1, textContent: this.title }),
      this.dropping.element,
      make("div", { className: "measuring" }, this.progress, this.far),
      make("p", { className: "ways" },
        make("label", { for: "search", textContent: say("search_label") }), this.search, " ",
        make("span", { className: "card-way" }, make("button", { type: "button", id: "card", textContent: say("card_button"), onclick: () => void this.card() }), " ", this.language)),
      this.persons, this.films, this.withdrawn);
  }

  async open() {
    await this.load();
  }

  /** @param {import("./types.js").ClinicState} state */
  state(state) {
    this.dropping.largest = state.upload_bytes;
    const { text, busy } = howFarWords(state);
    const { stage, done, total } = state.measuring;
    this.far.textContent = text;
    this.progress.hidden = !busy;
    if (stage === "measuring" && total) {
      this.progress.max = total;
      this.progress.value = done;
    } else this.progress.removeAttribute("value");
  }

  async measured() {
    await this.load();
  }

  async card() {
    const tab = window.open("", "_blank");
    try {
      const { page } = await desk.card(this.language.value, "A4");
      if (tab) tab.location.href = page;
    } catch (error) {
      tab?.close();
      throw error;
    }
  }

  async load() {
    const wanted = this.search.value.trim();
    const [persons, { films, total }, withdrawn] = await Promise.all([desk.persons(), desk.films(wanted), desk.withdrawn()]);
    if (wanted !== this.search.value.trim()) return;
    refill(this.withdrawn, withdrawnList(withdrawn, () => void this.load()));
    const named = persons.filter(({ called }) => !wanted || called.toLowerCase().includes(wanted.toLowerCase()) || films.some(({ person }) => person === called));
    refill(this.persons, make("h2", { textContent: say("persons_heading", { count: named.length }) }), named.length ? make("ul", { className: "person-list" }, ...named.map(personLine)) : make("p", { className: "hint", textContent: say("no_persons") }));
    // What is chosen there is not taken away by a film that comes meanwhile.
    if (this.grouping?.begun) return;
    const gone = () => {
      this.grouping = null; // the list holds the film that went
      void this.load();
    };
    const nobody = films.filter(({ person, measured }) => measured && !person);
    const waiting = films.filter(({ measured }) => !measured);
    this.grouping = new Grouping(nobody, (film) => filmParts(film, gone), () => this.load());
    refill(this.films,
      nobody.length ? make("section", {}, make("h2", { textContent: say("nobodys_heading", { count: nobody.length }) }), this.grouping.element) : null,
      waiting.length ? make("section", {}, make("h2", { textContent: say("waiting_heading", { count: waiting.length }) }), make("ul", { className: "film-list" }, ...waiting.map((film) => filmLine(film, gone)))) : null,
      total > films.length ? make("p", { className: "hint", textContent: say("latest_only", { shown: films.length, total }) }) : null);
  }
}

/** @param {import("./types.js").ClinicPerson} person */
function personLine({ called, films, last, open, documents }) {
  const about = [counted(films, "films"), say("last_film", { day: dayOrNone(last) }), open ? say("feet_open", { feet: counted(open, "feet") }) : say("all_settled"), documents ? counted(documents, "papers") : ""].filter(Boolean);
  return make("li", {}, make("a", { href: `#/person/${encodeURIComponent(called)}`, textContent: called }), make("span", { className: "about", textContent: about.join(" · ") }));
}

/** @param {import("./types.js").ClinicFilm} film @param {() => void} gone */
function filmLine(film, gone) {
  return make("li", {}, ...filmParts(film, gone));
}

/** @param {import("./types.js").ClinicFilm} film @param {() => void} gone @returns {HTMLElement[]} */
function filmParts(film, gone) {
  const feet = film.feet.map((foot) => `${foot.foot ? footName(foot.foot) : say("no_foot")}: ${stateWords(foot)}${foot.numbers.length ? `, ${foot.numbers.slice(0, 2).join(", ")}` : ""}${foot.found ? "" : ` (${foot.reasons[0] ?? say("refused_word")})`}`);
  const about = film.measured ? feet.join(" · ") : say(film.here ? "waits" : "file_missing");
  return [make("a", { href: `#/film/${film.number}`, textContent: film.given }), make("span", { className: "about", textContent: about }), takeOffButton(film, gone)];
}
