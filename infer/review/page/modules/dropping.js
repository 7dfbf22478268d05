import { ApiError } from "./api.js";
import { announce } from "./announcer.js";
import { desk } from "./desk_api.js";
import { make } from "./dom.js";
import { counted, say } from "./say.js";

/**
 * Where films are dropped or chosen: they are sent one after another, and one that fails never stops the rest.
 *
 * @typedef {{file: File, name: string}} Sent
 */

const KEPT_LINES = 200;

export class Dropping {
  /** @param {() => void} arrived told after each file */
  constructor(arrived) {
    this.arrived = arrived;
    /** @type {Sent[]} */
    this.waiting = [];
    this.sending = false;
    this.count = { done: 0, total: 0, failed: 0, known: 0 };
    /** @type {number|null} */
    this.largest = null;
    const choose = (/** @type {string} */ id, /** @type {string} */ text, /** @type {boolean} */ folder) => {
      const input = make("input", { type: "file", id, multiple: true, className: "unseen", ...(folder ? { webkitdirectory: true } : {}) });
      input.addEventListener("change", () => {
        this.send([...input.files].map((file) => ({ file, name: file.webkitRelativePath || file.name })));
        input.value = "";
      });
      return [input, make("label", { for: id, className: "button", textContent: text })];
    };
    this.bar = make("progress", { max: 1, value: 0, "aria-label": say("files_sent_bar"), hidden: true });
    this.words = make("p", { className: "sent", role: "status" });
    this.lines = make("ul", { className: "arrivals" });
    this.zone = make("div", { className: "drop" },
      make("p", { className: "invite" }, make("strong", { textContent: say("drop_here") })),
      make("p", { className: "choose" }, ...choose("choose-films", say("choose_films"), false), " ", ...choose("choose-folder", say("choose_folder"), true)),
      make("p", { className: "hint", textContent: say("drop_hint") }),
      this.bar, this.words);
    this.element = make("section", { className: "dropping", "aria-label": say("new_films") }, this.zone, this.lines);
    this.#listen();
  }

  #listen() {
    const over = (/** @type {DragEvent} */ event) => {
      if (!event.dataTransfer?.types.includes("Files")) return;
      event.preventDefault();
      this.zone.classList.toggle("over", event.type === "dragover");
    };
    this.zone.addEventListener("dragover", over);
    this.zone.addEventListener("dragleave", over);
    this.zone.addEventListener("drop", async (/** @type {DragEvent} */ event) => {
      event.preventDefault();
      this.zone.classList.remove("over");
      this.send(await dropped(/** @type {DataTransfer} */ (event.dataTransfer)));
    });
  }

  /** @param {Sent[]} files */
  send(files) {
    if (!files.length) return;
    if (!this.sending) this.count = { done: 0, total: 0, failed: 0, known: 0 };
    this.count.total += files.length;
    this.waiting.push(...files);
    if (!this.sending) void this.#work();
  }

  async #work() {
    this.sending = true;
    for (let one = this.waiting.shift(); one; one = this.waiting.shift()) {
      this.#tell();
      try {
        if (this.largest !== null && one.file.size > this.largest) {
          throw new ApiError(413, { error: say("too_large", { limit: Math.round(this.largest / 2 ** 20) }) });
        }
        for (const arrival of await desk.take(one.file, one.name)) this.#line(arrival.given, arrival.why || (arrival.known ? say("known_already") : ""), Boolean(arrival.why), arrival.film, arrival.known);
      } catch (error) {
        if (!(error instanceof ApiError)) throw error;
        this.#line(one.name, error.message, true, null, false);
      }
      this.count.done += 1;
      this.arrived();
    }
    this.sending = false;
    this.#tell();
    announce(this.words.textContent ?? "");
  }

  /** @param {string} name @param {string} text @param {boolean} failed @param {number|null} film @param {boolean} known */
  #line(name, text, failed, film, known) {
    if (failed) this.count.failed += 1;
    if (known) this.count.known += 1;
    const link = film ? make("a", { href: `#/film/${film}`, textContent: name }) : make("span", { textContent: name });
    this.lines.prepend(make("li", { className: failed ? "left-out" : "" }, link, text ? `: ${text}` : ""));
    while (this.lines.childElementCount > KEPT_LINES) this.lines.lastElementChild?.remove();
  }

  #tell() {
    const { done, total, failed, known } = this.count;
    this.bar.hidden = !this.sending;
    this.bar.max = total;
    this.bar.value = done;
    const parts = [failed ? say("sent_failed", { count: failed }) : "", known ? say("sent_known", { count: known }) : ""].filter(Boolean).join("; ");
    const files = counted(done, "files");
    this.words.textContent = this.sending ? say("sending", { number: done + 1, total }) : parts ? say("sent_parts", { files, parts }) : say("sent", { files });
  }
}

/** Files that were dropped, those in folders too. @param {DataTransfer} transfer @returns {Promise<Sent[]>} */
async function dropped(transfer) {
  // Entries must be taken before anything is waited for.
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter((entry) => entry !== null && entry !== undefined);
  if (!entries.length) return [...transfer.files].map((file) => ({ file, name: file.name }));
  /** @type {Sent[]} */
  const found = [];
  for (const entry of entries) await gather(entry, found);
  return found;
}

/** @param {any} entry @param {Sent[]} found */
async function gather(entry, found) {
  if (entry.isFile) {
    const file = await new Promise((resolve) => entry.file(resolve, () => resolve(null)));
    if (file) found.push({ file, name: entry.fullPath.replace(/^\//, "") });
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    // A folder is given in parts, the last one empty.
    const part = await new Promise((resolve) => reader.readEntries(resolve, () => resolve([])));
    if (!part.length) return;
    for (const one of part) await gather(one, found);
  }
}
