import { outOfReach, api, ApiError } from "./api.js";
import { banner } from "./banners.js";
import { Claim } from "./claim.js";
import { Emitter } from "./emitter.js";
import { FootEdit } from "./foot_edit.js";
import { Measuring } from "./measuring.js";
import { VerdictMachine } from "./verdict_machine.js";
import { NUMBERLESS } from "./words.js";

/**
 * One foot in a reader's hands: the read that stands, what was changed on it, which numbers are shown and whether they
 * are of these points, and what may be done.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Measurements & Partial<import("./types.js").MeasuredNow>} Measurements what stands, or what was measured now
 * @typedef {{changed: null, numbers: null, measured: {measured: Measurements, took: number}, read: null,
 *   claimed: string|null}} FootEvents `changed`: anything that is shown; `numbers`: only whether they are of these points;
 *   `measured`: numbers of the present points, or of points before them, came; `read`: another read is looked at, or this
 *   one was saved; `claimed`: who else has the foot
 */

export class FootSession {
  /** @param {import("./app.js").App} app @param {Foot} foot as the server gave it */
  constructor(app, foot) {
    this.app = app;
    this.review = app.session;
    this.landmarks = app.landmarks;
    this.id = foot.id;
    this.blind = this.review.study !== null;
    this.title = foot.film ?? `Read ${foot.id} of ${this.review.study?.reads_total ?? ""}`;
    /** @type {Emitter<FootEvents>} */
    this.events = new Emitter();
    this.stopped = false;
    this.note = foot.note;
    this.savedNote = foot.note;
    /** @type {Record<string, number|null>} numbers when the foot was opened */
    this.before = Object.fromEntries(foot.measured.measures.map((one) => [one.name, one.value]));
    /** @type {Measurements|null} null where there are none of these points */
    this.measured = foot.measured;
    /** The numbers shown are of other points: an answer is under way. */
    this.behind = false;
    this.grading = this.review.grading_default;
    /** @type {Foot|null} of another visit, which this one is compared with */
    this.compared = null;
    this.edit = new FootEdit(foot, this.landmarks.complete(foot.points), this.review, () => {
      this.measuring.ask();
      this.changed();
    });
    this.measuring = new Measuring(() => this.toMeasure(), {
      arrived: (measured, took, behind) => this.#arrived(measured, took, behind),
      failed: (error) => this.#failed(error),
      behind: (behind) => {
        this.behind = behind;
        this.#tell("numbers", null);
      },
    });
    this.claim = new Claim(foot.id, this.review.claim_seconds, (other) => this.claimedBy(other));
    this.machine = new VerdictMachine(() => this.#facts(), () => this.changed());
  }

  /** The read that stands, as far as this page knows. */
  get foot() {
    return this.edit.foot;
  }

  get side() {
    return this.edit.rest.side;
  }

  get construction() {
    return this.edit.rest.construction;
  }

  close() {
    this.stopped = true;
    this.claim.release();
    this.measuring.stop();
  }

  /** Something that is shown is otherwise than before. */
  changed() {
    this.#tell("changed", null);
  }

  /** @param {string|null} other who has the foot, if not this reader */
  claimedBy(other) {
    this.claim.other = other;
    this.#tell("claimed", other);
    this.changed();
  }

  // --- points -------------------------------------------------------------------------------------------------

  /** @param {string} code @returns {"model"|"doubtful"|"moved"|"hidden"|"none"} */
  kind(code) {
    const state = this.edit.state(code);
    if (!state.visible && (state.x !== null || this.blind)) return "hidden";
    if (state.x === null) return "none";
    if (state.moved) return "moved";
    return this.edit.given.get(code)?.doubtful ? "doubtful" : "model";
  }

  /** Points that the present construction needs. */
  get needed() {
    return this.landmarks.needed(this.construction);
  }

  /** Those of them that lie nowhere. */
  get missing() {
    return this.needed.filter((code) => this.kind(code) === "none");
  }

  // --- numbers ------------------------------------------------------------------------------------------------

  /** All points, so that the numbers are of these whatever anybody saved meanwhile. */
  toMeasure() {
    const { rest } = this.edit;
    return { id: this.id, version: this.foot.version, construction: rest.construction, grading: this.grading, anew: rest.anew,
      ...(rest.side ? { side: rest.side } : {}), ...(this.blind ? {} : { accepted: this.edit.accepted() }),
      ...(this.compared ? { compared: this.compared.id } : {}), points: this.edit.toSend() };
  }

  /** An answer besides those for the film's points; null where there is none. @param {any} body @returns {Promise<Measurements|null>} */
  async measure(body) {
    try {
      return await api.measure(body, this.measuring.stopped.signal);
    } catch (error) {
      if (!this.stopped && error instanceof ApiError && !outOfReach(error)) banner("measure", error.message);
      return null;
    }
  }

  /** @param {Measurements} measured @param {number} took ms @param {boolean} behind */
  #arrived(measured, took, behind) {
    if (measured.id !== undefined && measured.id !== this.id) return;
    banner("measure", null);
    banner("overtaken", measured.version !== undefined && measured.version > this.foot.version && this.machine.state !== "saving"
      ? "Somebody else saved this foot in the meantime. The numbers are of your own points; when you save, both reads are laid side by side." : null);
    this.measured = measured;
    this.behind = behind;
    this.changed();
    this.#tell("measured", { measured, took });
  }

  /** @param {ApiError} error */
  #failed(error) {
    if (outOfReach(error)) return;
    this.measured = null;
    banner("measure", `There are no numbers of these points: ${error.message}`);
    this.changed();
  }

  // --- what is saved ------------------------------------------------------------------------------------------

  get unsaved() {
    return !this.stopped && (this.edit.unsavedCodes.length > 0 || this.edit.unsavedRest.length > 0 || this.note.trim() !== this.savedNote.trim());
  }

  /** What is sent to be saved. @param {import("./verdict_machine.js").Verdict} verdict @param {string} reason @returns {import("./deciding.js").Read} */
  toSave(verdict, reason) {
    const { rest } = this.edit;
    return { version: this.foot.version, verdict, reason, note: this.note.trim(),
      ...(verdict === "reopen" ? {} : { construction: rest.construction, anew: rest.anew, points: this.edit.toSend(), ...(rest.side ? { side: rest.side } : {}),
        ...(this.blind ? {} : { accepted: this.edit.accepted() }) }) };
  }

  /** The server has what was sent. @param {{version: number, state: import("./types.js").State}} saved @param {import("./deciding.js").Read} read */
  markSaved(saved, read) {
    const { foot } = this;
    foot.version = saved.version;
    foot.state = saved.state;
    if (NUMBERLESS.has(saved.state)) this.measured = null;
    this.savedNote = this.note;
    banner("overtaken", null);
    if (read.verdict === "reopen") return;
    this.edit.markSaved();
    foot.construction = this.construction;
  }

  /** What stands by the server, whole. @param {Foot} foot */
  stand(foot) {
    if (this.stopped || foot.version < this.foot.version) return;
    this.edit.stand(foot, this.landmarks.complete(foot.points));
    if (!this.edit.unsavedCodes.length && !this.edit.unsavedRest.length) {
      this.measured = foot.measured;
      this.behind = false;
    }
    this.#tell("read", null);
    this.changed();
  }

  // --- two reads ----------------------------------------------------------------------------------------------

  /** Another reader's read in place of one's own, whole; Undo brings one's own back, whole. @param {Foot} theirs @param {string} reader */
  takeTheirs(theirs, reader) {
    const base = this.edit.take(theirs, this.landmarks.complete(theirs.points), `read of ${reader}`, this.#shownWith());
    if (base) this.#lookAt(base);
    this.changed();
  }

  /** Whether a step can be taken: from one of two reads to the other also where the one that is shown is settled. @param {"undo"|"redo"} way */
  mayShift(way) {
    return this.machine.may("edit") || (this.machine.may("switch") && this.edit.switches(way));
  }

  /** @param {"undo"|"redo"} way @returns {string|null} what was undone, or done again */
  shift(way) {
    const step = this.edit.shift(way, this.#shownWith());
    if (step?.base) this.#lookAt(step.base);
    return step?.words ?? null;
  }

  /** What belongs to the read that is looked at, besides its points. */
  #shownWith() {
    return { note: this.note, measured: this.behind ? null : this.measured };
  }

  /** One of two reads, whole. @param {import("./foot_edit.js").Base} base */
  #lookAt(base) {
    this.measured = base.measured;
    this.behind = base.measured === null;
    this.savedNote = base.foot.note;
    this.note = base.note;
    this.#tell("read", null);
  }

  /** @returns {import("./verdict_machine.js").Facts} */
  #facts() {
    const { edit, side, blind } = this;
    const unsaved = edit.unsavedCodes.length;
    return {
      state: this.foot.state,
      corrected: unsaved > 0 || edit.needsCorrection,
      blind,
      other: this.claim.other,
      unplaced: blind ? this.missing.length : 0,
      // A file without a foot is refused as it is; only numbers need a side.
      sideless: side === "" && unsaved > 0,
      behind: this.behind,
    };
  }

  /**
   * @template {keyof FootEvents} Name
   * @param {Name} name
   * @param {FootEvents[Name]} told
   */
  #tell(name, told) {
    if (!this.stopped) this.events.tell(name, told);
  }
}
