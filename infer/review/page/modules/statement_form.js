import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { desk } from "./desk_api.js";
import { CHOICES, choiceWords, dayWords } from "./desk_words.js";
import { make, refill } from "./dom.js";
import { moment } from "./words.js";

/** Fields in the order of the form: name, label, hint. @type {[string, string, string][]} */
const FIELDS = [
  ["person", "Person", "A code such as P-07, never a name"],
  ["taken", "Day of the film", ""],
  ["worn", "Worn on the foot", ""],
  ["loading", "Loading", ""],
  ["stance", "Stance", ""],
  ["tilt", "Tube tilt, degrees toward the heel", ""],
  ["beam", "Beam centred on", ""],
  ["distance", "Tube to detector, cm", ""],
  ["marker", "Side marker", ""],
  ["surgery", "Operation on the foot", ""],
  ["note", "Note", ""],
];
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
    this.element = make("form", { className: "statement", noValidate: true, "aria-label": `What is stated of ${film.given}` },
      make("div", { className: "fields" }, ...FIELDS.map((field) => this.#field(...field))),
      this.error,
      make("p", { className: "deeds" }, make("button", { type: "submit", className: "main", textContent: "Save" }), " ",
        make("button", { type: "button", textContent: "History", onclick: () => void this.history() })),
      this.by, this.earlier);
    this.element.addEventListener("submit", (/** @type {Event} */ event) => {
      event.preventDefault();
      void this.save();
    });
    this.#fill();
  }

  /** @param {string} name @param {string} label @param {string} hint */
  #field(name, label, hint) {
    const id = `${name}-${this.film.number}`;
    const input = CHOICES[name] ? make("select", { id, name }, ...CHOICES[name].map(([value, textContent]) => make("option", { value, textContent })))
      : make("input", { id, name, type: name === "taken" ? "date" : "text", autocomplete: "off", ...(NUMBERS.has(name) ? { inputMode: "decimal", size: 6 } : {}) });
    this.inputs[name] = input;
    return make("p", { className: "field" }, make("label", { for: id, textContent: label }), input, hint ? make("span", { className: "hint", textContent: hint }) : null);
  }

  #fill() {
    const { stated, file_taken: day, file_person: code, file_loading: load } = this.film;
    for (const [name] of FIELDS) this.inputs[name].value = /** @type {any} */ (stated)[name] ?? "";
    const file = [`whose film: ${code ? `code ${code}` : "not said"}`, `day: ${day ? dayWords(day) : "not said"}`, `loading: ${load || "not said"}`].join("; ");
    const who = stated.version ? `Stated by ${stated.by}, ${moment(stated.at)}. ` : "";
    this.by.textContent = `${who}The file says: ${file}.`;
  }

  get changed() {
    const { stated } = this.film;
    return FIELDS.some(([name]) => this.inputs[name].value.trim() !== String(/** @type {any} */ (stated)[name] ?? ""));
  }

  async save() {
    /** @type {Record<string, any>} */
    const sent = { version: this.film.stated.version };
    for (const [name, label] of FIELDS) {
      const text = this.inputs[name].value.trim();
      sent[name] = text;
      if (!NUMBERS.has(name)) continue;
      const number = Number(text.replace(",", "."));
      if (text && !Number.isFinite(number)) {
        this.error.textContent = `${label}: ${text} is no number.`;
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
        this.error.textContent += ` ${theirs.stated.by} stated: ${saidWords(theirs.stated) || "nothing"}.`;
      }
      return;
    }
    this.error.textContent = "";
    this.#fill();
    announce("Saved.");
    this.saved(this.film);
  }

  async history() {
    const all = await desk.statements(this.film.number);
    refill(this.earlier, all.length ? make("ol", {}, ...all.map((one) => make("li", {}, `${one.by}, ${moment(one.at)}: ${saidWords(one) || "nothing stated"} `,
      make("button", { type: "button", textContent: "State this again", onclick: () => this.again(one) })))) : make("p", { className: "hint", textContent: "Nothing was stated yet." }));
  }

  /** Put an earlier statement into the fields; it is saved as a new one. @param {import("./types.js").Stated} one */
  again(one) {
    for (const [name] of FIELDS) this.inputs[name].value = /** @type {any} */ (one)[name] ?? "";
    this.inputs.person.focus();
  }
}

/** A statement in words. @param {import("./types.js").Stated} stated */
export function saidWords(stated) {
  return FIELDS.flatMap(([name, label]) => {
    const value = /** @type {any} */ (stated)[name];
    if (value === "" || value === null) return [];
    return [`${label.split(",")[0].toLowerCase()} ${CHOICES[name] ? choiceWords(name, value) : name === "taken" ? dayWords(value) : value}`];
  }).join("; ");
}
