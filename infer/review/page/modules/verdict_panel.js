import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { STATES, counted, moment } from "./words.js";

/**
 * What a reader decides on a foot.
 *
 * @typedef {"confirm"|"correct"|"cannot_be_measured"|"wrong_side"|"wrong_view"|"reopen"} Verdict
 * @typedef {{state: string, changed: string[], lastRead: {reader: string, when: string}|null, unsaved: number, corrected: boolean,
 *   locked: string|null, saving: boolean, blind: boolean, unplaced: number,
 *   sideless: boolean, refused: boolean}} Standing
 */

const GO_ON = "stay after saving";

export class VerdictPanel {
  /**
   * @param {string[]} reasons why a foot cannot be measured
   * @param {(verdict: Verdict, reason: string|null) => void} decided
   * @param {() => void} noteChanged
   * @param {() => void} askSide what follows from a wrong side is asked by the page
   */
  constructor(reasons, decided, noteChanged, askSide) {
    this.reasons = reasons;
    this.decided = decided;
    this.mainText = make("span");
    this.main = make("button", { type: "button", className: "main", id: "confirm", "aria-keyshortcuts": "Enter", onclick: () => this.confirm() },
      this.mainText, make("kbd", { textContent: "Enter", "aria-hidden": "true" }));
    const other = (/** @type {string} */ text, /** @type {() => void} */ does) => make("button", { type: "button", textContent: text, onclick: does });
    this.notMeasurable = other("Cannot be measured…", () => this.askReason());
    this.wrongSide = other("Wrong side…", askSide);
    this.wrongView = other("Wrong view…", () => this.#askSure("wrong_view", "Wrong view", "The film is not a weight-bearing dorsoplantar view."));
    this.reopen = make("button", { type: "button", id: "reopen", textContent: "Reopen", onclick: () => decided("reopen", null) });
    this.note = make("textarea", { id: "note", rows: 2, maxLength: 2000, oninput: noteChanged });
    this.goOn = make("input", { type: "checkbox", id: "go-on", checked: localStorage.getItem(GO_ON) === null,
      onchange: () => (this.goOn.checked ? localStorage.removeItem(GO_ON) : localStorage.setItem(GO_ON, "1")) });
    this.standing = make("p", { className: "standing" });
    this.others = make("div", { className: "others" }, this.notMeasurable, this.wrongSide, this.wrongView);
    this.noting = make("div", { className: "noting" }, make("label", { for: "note", textContent: "Note" }), this.note,
      make("p", { className: "check" }, this.goOn, make("label", { for: "go-on", textContent: "Then go on to the next foot" })));
    this.element = make("section", { className: "verdict", "aria-label": "Verdict" }, this.standing, this.main, this.reopen, this.others);
  }

  /** @param {Standing} standing */
  update({ state, lastRead, unsaved, corrected, changed, locked, saving, blind, unplaced, sideless, refused }) {
    const settled = state !== "open";
    const { sign, text } = STATES[state] ?? { sign: "", text: state };
    this.standing.textContent = locked ?? (settled
      ? `${sign} ${text[0].toUpperCase()}${text.slice(1)}${lastRead ? ` by ${lastRead.reader}, ${moment(lastRead.when)}` : ""}. Reopen it to change anything.`
      : [sideless ? "no side stated yet" : "", unsaved ? `${counted(unsaved, "point")} changed` : "", ...changed, unplaced ? `${counted(unplaced, "point")} still to place` : ""]
        .filter(Boolean).join(", ").replace(/^./, (first) => first.toUpperCase()));
    this.verdict = blind || corrected ? "correct" : "confirm";
    this.mainText.textContent = saving ? "Saving…" : blind ? "Save the read" : corrected ? "Save the correction" : refused ? "Confirm the refusal" : "Confirm";
    this.ready = !(settled || locked || saving || (blind && unplaced > 0) || sideless);
    this.main.disabled = !this.ready;
    this.main.hidden = settled && !locked;
    this.reopen.hidden = !settled;
    this.reopen.disabled = Boolean(locked) || saving;
    this.others.hidden = settled;
    for (const button of [this.notMeasurable, this.wrongSide, this.wrongView]) button.disabled = Boolean(locked) || saving;
    this.note.readOnly = settled || Boolean(locked);
  }

  confirm() {
    if (this.ready) this.decided(/** @type {Verdict} */ (this.verdict), null);
  }

  async askReason() {
    if (this.notMeasurable.disabled || this.others.hidden) return;
    const choices = this.reasons.map((reason, k) => [reason, make("input", { type: "radio", name: "reason", id: `reason-${k}`, value: reason })]);
    const chosen = () => /** @type {any} */ (choices.find(([, input]) => input.checked))?.[0] ?? null;
    const sure = await ask({
      title: "Why can this foot not be measured?",
      body: [make("fieldset", {}, make("legend", { textContent: "Reason" }),
        ...choices.map(([reason, input]) => make("p", { className: "check" }, input, make("label", { for: input.id, textContent: reason }))))],
      choices: [
        { text: "Save: cannot be measured", value: true, main: true, ready: () => (chosen() ? null : "Choose a reason first.") },
        { text: "Back", value: null },
      ],
    });
    if (sure) this.decided("cannot_be_measured", chosen());
  }

  /** @param {Verdict} verdict @param {string} title @param {string} text */
  async #askSure(verdict, title, text) {
    const sure = await ask({ title, body: [make("p", { textContent: text })],
      choices: [{ text: `Save: ${title.toLowerCase()}`, value: true, main: true }, { text: "Back", value: null }] });
    if (sure) this.decided(verdict, null);
  }
}
