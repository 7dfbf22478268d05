import { ApiError } from "./api.js";
import { banner } from "./banners.js";
import { askConflict } from "./conflict_dialog.js";
import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { sendRead } from "./saving.js";

/**
 * Saves a reader's verdict on one foot, and lays two reads before the reader where somebody else was faster.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./verdict_panel.js").Verdict} Verdict
 * @typedef {{version: number, verdict: Verdict, reason: string, note: string, construction?: string, side?: string,
 *   anew?: boolean, accepted?: Record<string, number>, points?: import("./types.js").SentPoint[]}} Read
 */
export class Deciding {
  /**
   * @param {number} id
   * @param {import("./types.js").Session} session
   * @param {{foot: () => Promise<Foot>, saved: (saved: {version: number, state: string, when?: string}, read: Read) => Promise<void>,
   *   theirs: (foot: Foot, reader: string) => void, claimed: (reader: string) => void, changed: () => void}} page
   *   `foot` fetches it as it stands; the others are told what happened
   */
  constructor(id, session, page) {
    this.id = id;
    this.session = session;
    this.page = page;
    this.saving = false;
  }

  /** @param {Read} read */
  async save(read) {
    if (this.saving) return;
    await this.#try(read, () => this.#send(read));
  }

  /** @param {Read} read @param {() => Promise<{version: number, state: string}>} send */
  async #try(read, send) {
    this.#busy(true);
    let saved;
    try {
      saved = await send();
    } catch (error) {
      this.#busy(false);
      if (!(error instanceof ApiError)) throw error;
      if (error.status === 409 && error.body?.theirs) await this.#conflict(read, error.body.theirs, error.body.yours);
      else if (error.status === 409 && error.body?.claim) this.page.claimed(error.body.claim.reader);
      else {
        await ask({ title: "Not saved", body: [make("p", { textContent: `${error.message} Nothing was changed; your points are still here.` })],
          choices: [{ text: "Back", value: null, main: true }] });
      }
      return;
    }
    this.#busy(false);
    await this.page.saved(saved, read);
  }

  /** @param {Read} read */
  #send(read) {
    return sendRead(this.id, read, this.session.reader ?? "", (waiting) =>
      banner("waiting", waiting ? "Your read is kept in this page and sent again until it arrives: leave the page open." : null));
  }

  /** @param {boolean} saving */
  #busy(saving) {
    this.saving = saving;
    this.page.changed();
  }

  /** @param {Read} read @param {any} theirs @param {any} yours */
  async #conflict(read, theirs, yours) {
    const choice = await askConflict(this.session, theirs, yours);
    if (choice === "theirs") this.page.theirs(await this.page.foot(), theirs.reader);
    else if (choice === "mine") await this.#try(read, () => this.#over(read, theirs));
  }

  /** One's own read after theirs: theirs is reopened if it has to be, and stays in the history. @param {Read} read @param {any} theirs */
  async #over(read, theirs) {
    let { version } = theirs;
    if (theirs.state === "confirmed") ({ version } = await this.#send({ version, verdict: "reopen", reason: "", note: "" }));
    const standing = await this.page.foot();
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
