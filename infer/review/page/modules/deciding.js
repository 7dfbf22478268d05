import { api, ApiError } from "./api.js";
import { banner } from "./banners.js";
import { askConflict } from "./conflict_dialog.js";
import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { askImpossible, impossible } from "./impossible.js";
import { sendRead } from "./saving.js";
import { saySaved } from "./saved_note.js";
import { askSide } from "./side_dialog.js";
import { askReason, askView } from "./verdict_dialogs.js";
import { askTake } from "./withheld_dialog.js";
import { VERDICTS, footName } from "./words.js";

/**
 * From a reader's wish to a saved read: the question that a verdict raises, sending, and two reads before the reader where
 * somebody else was faster. What may be done when says the machine of the foot.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./verdict_machine.js").Verdict} Verdict
 * @typedef {import("./foot_session.js").FootSession} FootSession
 * @typedef {{version: number, verdict: Verdict, reason: string, note: string, construction?: string, side?: import("./types.js").Side,
 *   anew?: boolean, accepted?: Record<string, number>, points?: import("./types.js").PointSent[]}} Read
 * @typedef {{version: number, state: import("./types.js").State, when?: string}} Saved
 */
export class Deciding {
  /**
   * @param {FootSession} session
   * @param {{begin: () => void, placeAnew: () => void, onward: () => Promise<boolean>}} page `begin`: a read is about to be saved;
   *   `onward`: goes to the next foot if the reader wants that, and says whether it did
   */
  constructor(session, page) {
    this.session = session;
    this.machine = session.machine;
    this.page = page;
  }

  /** Ask what is to be asked, then save. @param {Verdict} verdict */
  async decide(verdict) {
    const { machine, session } = this;
    if (!machine.may(verdict)) return;
    if (verdict === machine.main) this.page.begin();
    machine.go("ask");
    /** @type {string|null} */
    let reason = null;
    try {
      reason = await this.#asked(verdict);
    } finally {
      // Another reader may have come while the question was open.
      if (reason === null || session.stopped || !machine.stillMay(verdict)) {
        machine.go("answered");
        reason = null;
      }
    }
    if (reason === null) return;
    this.page.begin();
    machine.go("send");
    const read = session.toSave(verdict, reason);
    await this.#try(read, () => this.#send(read));
  }

  /** Show a withheld number, and ask whether it is taken. @param {string} name */
  async look(name) {
    const { machine, session } = this;
    const measure = session.review.measures.find((one) => one.name === name);
    const shown = session.measured?.measures.find((one) => one.name === name);
    if (!measure || !machine.may("look", shown)) return;
    machine.go("look");
    const asked = session.toMeasure();
    const key = JSON.stringify(asked);
    const same = () => key === JSON.stringify(session.toMeasure());
    /** @type {number|null} */
    let taken = null;
    try {
      const found = (await session.measure({ ...asked, accepted: { ...asked.accepted, [name]: null } }))?.measures.find((one) => one.name === name);
      if (!session.stopped && found && found.value !== null && same() && await askTake(session.review, session.landmarks, measure, found)) taken = found.value;
    } finally {
      machine.go("answered");
    }
    if (taken !== null && machine.may("edit") && same()) session.edit.accept(name, taken, `${measure.abbreviation} taken`);
  }

  /** @param {string} name */
  giveBack(name) {
    const { machine, session } = this;
    const shown = session.measured?.measures.find((one) => one.name === name);
    const measure = session.review.measures.find((one) => one.name === name);
    if (machine.may("give_back", shown)) session.edit.giveBack(name, `${measure?.abbreviation ?? name} withheld again`);
  }

  /** The question before a verdict. @param {Verdict} verdict @returns {Promise<string|null>} the reason that is saved, most often empty; null not to save */
  async #asked(verdict) {
    const { review } = this.session;
    switch (verdict) {
      case "confirm":
      case "correct": return (await this.#sure()) ? "" : null;
      case "cannot_be_measured": return askReason(review.reasons_not_measurable);
      case "wrong_view": return (await askView()) ? "" : null;
      case "wrong_side": return (await this.#sided()) ? "" : null;
      default: return "";
    }
  }

  /** Whether the angles are possible, or the reader says that they stand. */
  async #sure() {
    const { session } = this;
    try {
      const current = !session.behind && session.measured ? session.measured : await api.measure(session.toMeasure(), session.measuring.stopped.signal);
      const odd = impossible(session.review, current.measures);
      return !odd.length || await askImpossible(session.review, session.construction, odd);
    } catch (error) {
      if (session.stopped) return false;
      // Out of reach, the read waits for the server; a refusal is told by the attempt to save.
      if (error instanceof ApiError) return true;
      throw error;
    }
  }

  /** What the foot is called, and whether its points are right; whether that is to be saved at once. */
  async #sided() {
    const { session } = this;
    const points = session.edit.toSend();
    const nowhere = points.map(({ code }) => ({ code, x: null, y: null, visible: true, moved: false }));
    const choice = await askSide(session.review, {
      side: session.side,
      shownAs: session.measured?.shown_as ?? "",
      measured: session.behind ? null : session.measured,
      companions: session.foot.companions ?? [],
    }, async ({ side, anew }) => {
      const answer = await session.measure({ ...session.toMeasure(), side, ...(anew ? { anew: true, accepted: {}, points: nowhere } : {}) });
      if (!answer) throw new Error("no answer");
      return answer;
    });
    if (!choice || session.stopped || !this.machine.stillMay("wrong_side")) return false;
    if (choice.anew) session.edit.clear(choice.side, "points to be placed anew");
    else session.edit.change("side", { side: choice.side });
    if (choice.now) this.page.placeAnew();
    return !choice.now;
  }

  /** @param {Read} read @param {() => Promise<Saved>} send */
  async #try(read, send) {
    let saved;
    try {
      saved = await send();
    } catch (error) {
      const fault = error instanceof ApiError ? error : null;
      const overtaken = fault?.status === 409 && fault.body?.theirs;
      this.machine.go(overtaken ? "overtaken" : "refused");
      if (!fault) throw error;
      if (overtaken) await this.#conflict(read, fault.body.theirs, fault.body.yours);
      else if (fault.status === 409 && fault.body?.claim) this.session.claimedBy(fault.body.claim.reader);
      else {
        await ask({ title: "Not saved", body: [make("p", { textContent: `${fault.message} Nothing was changed; your points are still here.` })],
          choices: [{ text: "Back", value: null, main: true }] });
      }
      return;
    }
    await this.#saved(saved, read);
  }

  /** @param {Read} read */
  #send(read) {
    return sendRead(this.session.id, read, this.session.review.reader ?? "", (waiting) =>
      banner("waiting", waiting ? "Your read is kept in this page and sent again until it arrives: leave the page open." : null));
  }

  /** @param {Saved} saved @param {Read} read */
  async #saved(saved, read) {
    const { session } = this;
    const { verdict } = read;
    const what = session.blind && verdict === "correct" ? "" : session.foot.decision === "refused" && verdict === "confirm" ? ": refusal confirmed" : `: ${VERDICTS[verdict]}`;
    saySaved(`${session.title}${session.side ? `, ${footName(session.side).toLowerCase()}` : ""}${what}`, saved.when ?? new Date().toISOString());
    session.app.progress();
    if (session.stopped) return; // the reader has gone elsewhere meanwhile
    session.markSaved(saved, read);
    this.machine.go("saved");
    if (verdict !== "reopen" && (await this.page.onward())) return;
    try {
      session.stand(await session.app.foot(session.id));
    } catch (error) {
      if (!(error instanceof ApiError)) throw error; // it is saved; what stands is fetched with the next visit
    }
  }

  /** @param {Read} read @param {any} theirs @param {any} yours */
  async #conflict(read, theirs, yours) {
    const { machine, session } = this;
    const choice = await askConflict(session.review, theirs, yours);
    if (choice === "mine") {
      machine.go("mine");
      await this.#try(read, () => this.#over(read, theirs));
      return;
    }
    const foot = choice === "theirs" ? await session.app.foot(session.id).catch((error) => (machine.go("back"), Promise.reject(error))) : null;
    machine.go(foot ? "theirs" : "back");
    if (foot) session.takeTheirs(foot, theirs.reader);
  }

  /** One's own read after theirs: theirs is reopened if it has to be, and stays in the history. @param {Read} read @param {any} theirs */
  async #over(read, theirs) {
    let { version } = theirs;
    if (theirs.state === "confirmed") ({ version } = await this.#send({ version, verdict: "reopen", reason: "", note: "" }));
    const standing = await this.session.app.foot(this.session.id);
    const verdict = read.verdict === "confirm" && differs(read, standing) ? "correct" : read.verdict;
    return this.#send({ ...read, version, verdict });
  }
}

/** Whether a read changes what stands. @param {Read} read @param {Foot} standing */
function differs(read, standing) {
  const stands = new Map(standing.points.map((point) => [point.code, point]));
  const at = (/** @type {{x: number|null, y: number|null}|undefined} */ point) => [point?.x, point?.y].map((part) => part?.toFixed(3)).join(" ");
  return read.construction !== standing.construction || read.anew !== standing.anew || (read.side ?? standing.foot) !== standing.foot || (read.points ?? []).some((point) => {
    const old = stands.get(point.code);
    return point.moved !== (old?.moved ?? false) || (old && point.visible !== old.visible) || (point.moved && at(point) !== at(old));
  });
}
