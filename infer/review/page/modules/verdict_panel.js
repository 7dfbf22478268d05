import { make } from "./dom.js";
import { STATES, counted, moment } from "./words.js";

/**
 * The verdict buttons, and in words what they would save. Which of them can be pressed says the machine of the foot.
 *
 * @typedef {import("./verdict_machine.js").Verdict} Verdict
 */

const GO_ON = "stay after saving";

export class VerdictPanel {
  /**
   * @param {import("./foot_session.js").FootSession} session
   * @param {(verdict: Verdict) => void} decide
   */
  constructor(session, decide) {
    this.session = session;
    this.mainText = make("span");
    this.main = make("button", { type: "button", className: "main", id: "confirm", "aria-keyshortcuts": "Enter", onclick: () => decide(session.machine.main ?? "confirm") },
      this.mainText, make("kbd", { textContent: "Enter", "aria-hidden": "true" }));
    const other = (/** @type {string} */ text, /** @type {Verdict} */ verdict, /** @type {string|undefined} */ id = undefined) =>
      /** @type {[Verdict, any]} */ ([verdict, make("button", { type: "button", id, textContent: text, onclick: () => decide(verdict) })]);
    this.buttons = new Map([other("Cannot be measured…", "cannot_be_measured"), other("Wrong side…", "wrong_side"), other("Wrong view…", "wrong_view"), other("Reopen", "reopen", "reopen")]);
    const [notMeasurable, wrongSide, wrongView, reopen] = this.buttons.values();
    this.reopen = reopen;
    this.note = make("textarea", { id: "note", rows: 2, maxLength: 2000, oninput: () => {
      session.note = this.note.value;
      session.changed();
    } });
    this.note.value = session.note;
    this.goOn = make("input", { type: "checkbox", id: "go-on", checked: localStorage.getItem(GO_ON) === null,
      onchange: () => (this.goOn.checked ? localStorage.removeItem(GO_ON) : localStorage.setItem(GO_ON, "1")) });
    this.standing = make("p", { className: "standing" });
    this.others = make("div", { className: "others" }, notMeasurable, wrongSide, wrongView);
    this.noting = make("div", { className: "noting" }, make("label", { for: "note", textContent: "Note" }), this.note,
      make("p", { className: "check" }, this.goOn, make("label", { for: "go-on", textContent: "Then go on to the next foot" })));
    this.element = make("section", { className: "verdict", "aria-label": "Verdict" }, this.standing, this.main, reopen, this.others);
    session.events.on("read", () => (this.note.value = session.note));
  }

  update() {
    const { machine, foot } = this.session;
    const settled = foot.state !== "open";
    const { other } = machine.facts();
    this.standing.textContent = other !== null ? `${other} is working on this foot.` : settled ? this.#settled() : this.#open();
    this.mainText.textContent = this.#deed();
    this.main.disabled = !machine.main || !machine.enabled(machine.main);
    this.main.hidden = settled && other === null;
    this.reopen.hidden = !settled;
    this.others.hidden = settled;
    for (const [verdict, button] of this.buttons) button.disabled = !machine.enabled(verdict);
    this.note.readOnly = !machine.enabled("note");
  }

  /** What the main button does. */
  #deed() {
    const { machine, foot } = this.session;
    if (machine.state === "saving") return "Saving…";
    const { blind, corrected } = machine.facts();
    return blind ? "Save the read" : corrected ? "Save the correction" : foot.decision === "refused" ? "Confirm the refusal" : "Confirm";
  }

  #settled() {
    const { foot } = this.session;
    const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
    const last = foot.history.at(-1);
    return `${sign} ${text[0].toUpperCase()}${text.slice(1)}${last ? ` by ${last.reader}, ${moment(last.when)}` : ""}. Reopen it to change anything.`;
  }

  /** What a read would save, and what it lacks. */
  #open() {
    const { edit, machine } = this.session;
    const { sideless, unplaced } = machine.facts();
    const unsaved = edit.unsavedCodes.length;
    return [sideless ? "no side stated yet" : "", unsaved ? `${counted(unsaved, "point")} changed` : "", ...edit.unsavedRest, unplaced ? `${counted(unplaced, "point")} still to place` : ""]
      .filter(Boolean).join(", ").replace(/^./, (first) => first.toUpperCase());
  }
}
