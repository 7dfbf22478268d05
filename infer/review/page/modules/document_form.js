import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { ask } from "./dialog.js";
import { desk } from "./desk_api.js";
import { make } from "./dom.js";
import { language as pageLanguage, languages, say } from "./say.js";

/** What is written by hand: name, on which papers, lines; its label is the paper's own. @type {[string, string[], number][]} */
const FIELDS = [
  ["to", ["letter"], 2],
  ["sender", ["letter"], 2],
  ["reason", ["letter"], 2],
  ["pain", ["letter"], 2],
  ["toe_range", ["letter"], 1],
  ["first_ray", ["letter"], 1],
  ["footwear", ["letter"], 1],
  ["tried", ["letter"], 2],
  ["remarks", ["letter", "report", "sheet"], 3],
];

/** A report or a letter: what is written by hand, a draft to look at, and who stands for it. */
export class DocumentForm {
  /** @param {string} called @param {() => Promise<void>} written */
  constructor(called, written) {
    this.called = called;
    this.written = written;
    /** @type {import("./types.js").OnePerson|null} */
    this.person = null;
    /** @type {Record<string, string>} as last written or filled in */
    this.kept = {};
    const choice = (/** @type {string} */ id, /** @type {string} */ label, /** @type {[string, string][]} */ values) => {
      const select = make("select", { id }, ...values.map(([value, textContent]) => make("option", { value, textContent })));
      return [select, make("span", { className: "field" }, make("label", { for: id, textContent: label }), select)];
    };
    const [kind, kindField] = choice("paper-kind", say("write_kind"), [["report", say("paper_report")], ["letter", say("paper_letter")], ["sheet", say("paper_sheet")]]);
    const [language, languageField] = choice("paper-language", say("write_language"), languages);
    language.value = pageLanguage;
    const [paper, paperField] = choice("paper-size", say("write_sheet"), [["A4", "A4"], ["Letter", "Letter"]]);
    Object.assign(this, { kind, language, paper });
    kind.addEventListener("change", () => this.#lay());
    /** @type {Record<string, any>} */
    this.inputs = {};
    this.rows = FIELDS.map(([name, , rows]) => {
      this.inputs[name] = make("textarea", { id: `write-${name}`, rows, maxLength: 2000 });
      return make("p", { className: "field", data: { field: name } }, make("label", { for: `write-${name}`, textContent: say(`letter_${name}`) }), this.inputs[name]);
    });
    this.error = make("p", { className: "missing", role: "alert" });
    this.open = make("p", { className: "hint", id: "write-open" });
    this.element = make("section", { className: "writing", "aria-label": say("write_section") }, make("h2", { textContent: say("write_heading") }),
      make("div", { className: "kinds" }, kindField, languageField, paperField),
      make("p", { className: "hint", textContent: say("write_hint") }),
      make("div", { className: "fields" }, ...this.rows), this.open, this.error,
      make("p", { className: "deeds" },
        make("button", { type: "button", id: "draft", textContent: say("look_at_draft"), onclick: () => void this.draft() }), " ",
        make("button", { type: "button", id: "write", textContent: say("write_unconfirmed"), onclick: () => void this.write(false) }), " ",
        make("button", { type: "button", id: "confirm-write", className: "main", textContent: say("confirm_write"), onclick: () => void this.write(true) })));
    this.#lay();
  }

  get changed() {
    return FIELDS.some(([name]) => this.inputs[name].value !== (this.kept[name] ?? ""));
  }

  /** @param {import("./types.js").OnePerson} person */
  fill(person) {
    if (!this.person) {
      for (const [name] of FIELDS) this.inputs[name].value = this.kept[name] = person.letter[name] ?? "";
    }
    this.person = person;
    this.open.textContent = person.unconfirmed.length ? say("nobody_confirmed", { feet: person.unconfirmed.join("; ") })
      : say(person.reportable ? "all_confirmed" : "none_reportable");
  }

  #lay() {
    const kind = /** @type {any} */ (this).kind.value;
    FIELDS.forEach(([, kinds], i) => {
      this.rows[i].hidden = !kinds.includes(kind);
    });
  }

  /** @param {boolean} confirm @returns {import("./types.js").DocumentSent} */
  #sent(confirm) {
    const { kind, language, paper } = /** @type {any} */ (this);
    const fields = Object.fromEntries(FIELDS.filter(([, kinds]) => kinds.includes(kind.value)).map(([name]) => [name, this.inputs[name].value.trim()]));
    return { kind: kind.value, language: language.value, paper: paper.value, fields, confirm, ground: this.person?.ground ?? "" };
  }

  async draft() {
    // Opened at once: a browser keeps back what is opened later.
    const tab = window.open("", "_blank");
    const handed = await this.#try(() => desk.draft(this.called, this.#sent(false)));
    if (handed && tab) tab.location.href = handed.page;
    else tab?.close();
  }

  /** @param {boolean} confirm */
  async write(confirm) {
    if (confirm) {
      const seen = make("input", { type: "checkbox", id: "seen" });
      const sure = await ask({
        title: say("stand_for"),
        body: [make("p", { textContent: say("stand_for_body", { person: this.called }) }),
          make("p", { className: "check" }, seen, make("label", { for: "seen", textContent: say("stand_for_check") }))],
        choices: [{ text: say("confirm_write"), value: true, main: true, ready: () => (seen.checked ? null : say("stand_for_missing")) }, { text: say("back"), value: false }],
      });
      if (!sure) return;
    }
    const done = await this.#try(() => desk.write(this.called, this.#sent(confirm)));
    if (!done) return;
    for (const [name] of FIELDS) this.kept[name] = this.inputs[name].value;
    announce(say(confirm ? "wrote_confirmed" : "wrote_unconfirmed"));
    await this.written();
  }

  /** @template T @param {() => Promise<T>} deed @returns {Promise<T|null>} */
  async #try(deed) {
    this.error.textContent = "";
    this.element.setAttribute("aria-busy", "true");
    try {
      return await deed();
    } catch (problem) {
      if (!(problem instanceof ApiError)) throw problem;
      this.error.textContent = problem.message;
      return null;
    } finally {
      this.element.removeAttribute("aria-busy");
    }
  }
}
