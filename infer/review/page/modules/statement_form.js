import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { desk } from "./desk_api.js";
import { CHOICES, choiceWords, dayOrNone, momentWords } from "./desk_words.js";
import { make, refill } from "./dom.js";
import { decimal, say } from "./say.js";

/** Fields in the order of the form. */
const FIELDS = ["person", "taken", "worn", "loading", "stance", "tilt", "beam", "distance", "marker", "surgery", "note"];
const NUMBERS = new Set(["tilt", "distance"]);

/** What a person states of one film: whose it is, when and how it was taken. Every save is a new entry; nothing is lost. */
export class StatementForm {
  /** @param {import("./types.js").ClinicFilm} film @param {(film: import("./types.js").ClinicFilm) => void} saved */
  constructor(film, saved) {
    this.film = film;
    this.saved = saved;
    /** @type {Record<string, any>} */
    this.inputs = {};
    this.error = make("p", { className: "missing", role: "alert" });
    this.by = make("p", { className: "hint" });
    this.earlier = make("div", { className: "earlier-statements" });
    this.element = make("form", { className: "statement", noValidate: true, "aria-label": say("statement_of", { film: film.given }) },
      make("div", { className: "fields" }, ...FIELDS.map((name) => this.#field(name))),
      this.error,
      make("p", { className: "deeds" }, make("button", { type: "submit", className: "main", textContent: say("save") }), " ",
        make("button", { type: "button", textContent: say("history"), onclick: () => void this.history() })),
      this.by, this.earlier);
    this.element.addEventListener("submit", (/** @type {Event} */ event) => {
      event.preventDefault();
      void this.save();
    });
    this.#fill();
  }

  /** @param {string} name */
  #field(name) {
    const id = `${name}-${this.film.number}`;
    const input = CHOICES[name] ? make("select", { id, name }, ...CHOICES[name].map(([value, textContent]) => make("option", { value, textContent })))
      : make("input", { id, name, type: name === "taken" ? "date" : "text", autocomplete: "off", ...(NUMBERS.has(name) ? { inputMode: "decimal", size: 6 } : {}) });
    this.inputs[name] = input;
    return make("p", { className: "field" }, make("label", { for: id, textContent: say(`stated_${name}`) }), input, name === "person" ? make("span", { className: "hint", textContent: say("stated_person_hint") }) : null);
  }

  #fill() {
    const { stated, file_taken: day, file_person: code, file_loading: load } = this.film;
    for (const name of FIELDS) this.inputs[name].value = inField(stated, name);
    const file = say("file_says", { person: code ? say("file_code", { code }) : say("not_said"), day: day ? dayOrNone(day) : say("not_said"), loading: load ? say(`loading_${load}`) : say("not_said") });
    this.by.textContent = stated.version ? `${say("stated_by", { by: stated.by, when: momentWords(stated.at) })} ${file}` : file;
  }

  get changed() {
    const { stated } = this.film;
    return FIELDS.some((name) => this.inputs[name].value.trim() !== inField(stated, name));
  }

  async save() {
    /** @type {Record<string, any>} */
    const sent = { version: this.film.stated.version };
    for (const name of FIELDS) {
      const text = this.inputs[name].value.trim();
      sent[name] = text;
      if (!NUMBERS.has(name)) continue;
      const number = Number(text.replace(",", ".").replace("−", "-"));
      if (text && !Number.isFinite(number)) {
        this.error.textContent = say("no_number", { label: say(`stated_${name}`), text });
        this.inputs[name].focus();
        return;
      }
      sent[name] = text ? number : null;
    }
    try {
      this.film = await desk.say(this.film.number, /** @type {any} */ (sent));
    } catch (problem) {
      if (!(problem instanceof ApiError)) throw problem;
      this.error.textContent = problem.message;
      if (problem.status === 409) {
        const theirs = await desk.film(this.film.number);
        this.film = { ...this.film, stated: { ...this.film.stated, version: theirs.stated.version } };
        this.error.textContent += ` ${say("they_stated", { by: theirs.stated.by, what: saidWords(theirs.stated) || say("nothing_stated") })}`;
      }
      return;
    }
    this.error.textContent = "";
    this.#fill();
    announce(say("saved"));
    this.saved(this.film);
  }

  async history() {
    const all = await desk.statements(this.film.number);
    refill(this.earlier, all.length ? make("ol", {}, ...all.map((one) => make("li", {}, say("entry", { by: one.by, when: momentWords(one.at), what: saidWords(one) || say("entry_nothing") }),
      make("button", { type: "button", textContent: say("state_again"), onclick: () => this.again(one) })))) : make("p", { className: "hint", textContent: say("nothing_yet") }));
  }

  /** Put an earlier statement into the fields; it is saved as a new one. @param {import("./types.js").Stated} one */
  again(one) {
    for (const name of FIELDS) this.inputs[name].value = inField(one, name);
    this.inputs.person.focus();
  }
}

/** What stands in a field, numbers with their decimal sign; empty where nothing is stated. @param {import("./types.js").Stated} stated @param {string} name @returns {string} */
function inField(stated, name) {
  const value = /** @type {any} */ (stated)[name] ?? "";
  return NUMBERS.has(name) ? decimal(String(value)) : String(value);
}

/** A statement in words. @param {import("./types.js").Stated} stated */
export function saidWords(stated) {
  return FIELDS.flatMap((name) => {
    const value = inField(stated, name);
    return value ? [say(`told_${name}`, { value: CHOICES[name] ? choiceWords(name, value) : name === "taken" ? dayOrNone(value) : value })] : [];
  }).join("; ");
}
