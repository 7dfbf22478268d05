import { announce } from "./announcer.js";
import { Placing } from "./placing.js";
import { KIND_WORDS } from "./point_kinds.js";
import { ShaftGuides } from "./shaft_guides.js";

/**
 * What a reader does to points: choose one, move it, place those that lie nowhere, say that one cannot be seen, undo.
 *
 * @typedef {import("./types.js").Place} Place
 */

/** What an arrow moves the film by where no point is chosen, CSS pixels. */
const PAN = 48;
/** Least CSS pixels for each film pixel when the view goes to a point. */
const CLOSE = 3;

export class PointTools {
  /** @param {import("./foot_session.js").FootSession} session @param {import("./stage.js").Stage} stage */
  constructor(session, stage) {
    this.session = session;
    this.stage = stage;
    /** @type {string|null} */
    this.selected = null;
    this.placing = new Placing();
    this.guides = new ShaftGuides(session.landmarks);
    /** @type {import("./affine.js").Affine|null} before a zoom to a point */
    this.viewBefore = null;
    session.events.on("read", () => {
      if (session.blind && session.foot.state === "open") this.guide();
    });
  }

  get free() {
    return this.session.machine.may("edit");
  }

  /** @param {string|null} code @param {boolean} [reveal] */
  select(code, reveal = false) {
    if (this.placing.progress === "one" && code !== this.selected) this.stop();
    this.selected = code;
    const place = code && this.session.edit.place(code);
    if (place && reveal) this.stage.view.reveal(place);
    this.session.changed();
    const { landmarks } = this.session;
    if (code) announce(`${landmarks.name(code)}: ${landmarks.text(code)}. ${KIND_WORDS[this.session.kind(code)]}`);
  }

  /** To the next point that fits. @param {string[]} codes in their order @param {1|-1} step @param {(code: string) => boolean} fits */
  step(codes, step, fits) {
    const start = this.selected ? codes.indexOf(this.selected) : step > 0 ? -1 : 0;
    const ahead = codes.map((_, k) => codes[(start + step * (k + 1) + 2 * codes.length) % codes.length]);
    const code = ahead.find(fits);
    if (code) this.select(code, true);
    else announce("There is none");
  }

  /** Close to the chosen point, or back to the view before. */
  zoom() {
    const { view } = this.stage;
    if (this.viewBefore) {
      view.screenFromFilm = this.viewBefore;
      this.viewBefore = null;
      view.changed(view);
      return;
    }
    const place = this.selected && this.session.edit.place(this.selected);
    if (!place) return;
    const before = view.screenFromFilm;
    view.centreOn(place, Math.max(view.scale, CLOSE));
    this.viewBefore = before;
  }

  /** Move the chosen point; the film where none is chosen. @param {number} dx @param {number} dy steps on the screen, in film pixels @param {string} kind */
  nudge(dx, dy, kind) {
    const { view } = this.stage;
    const { edit, machine } = this.session;
    const place = this.selected && !this.placing.active ? edit.place(this.selected) : null;
    if (!place || !this.selected) {
      view.pan(-Math.sign(dx) * PAN, -Math.sign(dy) * PAN);
      return;
    }
    if (!this.free) {
      announce(machine.lack("edit"));
      return;
    }
    const at = view.toScreen(place);
    const to = this.#within(view.toFilm({ x: at.x + dx * view.scale, y: at.y + dy * view.scale }));
    edit.move(this.selected, to, kind);
    view.reveal(to);
  }

  /** The chosen point follows the pointer. @param {number} dx @param {number} dy CSS pixels */
  drag(dx, dy) {
    const { view } = this.stage;
    const { edit } = this.session;
    const code = /** @type {string} */ (this.selected);
    const place = edit.place(code);
    if (!place || !this.free) return;
    const at = view.toScreen(place);
    const to = this.#within(view.toFilm({ x: at.x + dx, y: at.y + dy }));
    this.stage.magnified = to;
    edit.move(code, to, "drag");
  }

  /** End of a drag. */
  drop() {
    this.stage.magnified = null;
    this.session.edit.settle();
    this.session.changed();
  }

  // --- placing ------------------------------------------------------------------------------------------------

  /** Wait for a click that places the chosen point. */
  place() {
    if (!this.selected || !this.free) return;
    this.placing.one(this.selected);
    this.session.changed();
    announce(`Click where the point belongs: ${this.session.landmarks.name(this.selected)}, or move the film under the cross and press Space. Escape stops.`);
  }

  /** Lead through all needed points that have no place. */
  guide() {
    const { missing, needed } = this.session;
    if (missing.length) this.placing.guide(missing, needed.length);
    else this.stop();
    this.#sayNext();
    this.session.changed();
  }

  /** What a click on the film does while a point waits for it. @param {Place} film */
  placeAt(film) {
    const { code } = this.placing;
    if (code === null) return;
    this.stage.magnified = null;
    if (this.placing.guided && this.guides.wanted(code)) {
      this.guides.set(code, this.#within(film));
      this.#sayNext();
      this.session.changed();
      return;
    }
    this.session.edit.move(code, this.#within(film));
    this.#advance(`Placed: ${this.session.landmarks.name(code)}`);
  }

  skip() {
    const { code } = this.placing;
    if (code !== null && this.guides.wanted(code)) this.guides.leave(code);
    else this.placing.skip();
    this.#sayNext();
    this.session.changed();
  }

  toggleGuides() {
    if (this.placing.code !== null) this.guides.toggle(this.placing.code);
    this.#sayNext();
    this.session.changed();
  }

  /** Place no more. */
  stop() {
    this.placing.stop();
    this.stage.magnified = null;
    this.session.changed();
  }

  // --- what else becomes of a point -----------------------------------------------------------------------------

  toggleVisible() {
    const code = this.selected;
    if (!code || !this.free) return;
    const { visible } = this.session.edit.state(code);
    this.session.edit.show(code, !visible);
    const words = `${visible ? "Not visible" : "Visible"}: ${this.session.landmarks.name(code)}`;
    if (this.placing.code === code && visible) this.#advance(words);
    else announce(words);
  }

  reset() {
    if (!this.selected || !this.free) return;
    this.session.edit.reset([this.selected]);
    announce(`As the model left it: ${this.session.landmarks.name(this.selected)}`);
  }

  /** @param {"undo"|"redo"} way */
  shift(way) {
    const { session } = this;
    if (!session.mayShift(way)) return;
    const words = session.shift(way);
    announce(words === null ? "There is nothing" : `${way === "undo" ? "Undone" : "Done again"}: ${session.landmarks.worded(words)}`);
    if (session.blind) this.guide();
    session.changed();
  }

  /** The present point is dealt with. @param {string} words */
  #advance(words) {
    if (this.placing.next()) this.#sayNext();
    else {
      this.stop();
      announce(this.session.blind && !this.session.missing.length ? "All points are placed. Enter saves the read." : words);
    }
    this.session.changed();
  }

  #sayNext() {
    const { code, progress } = this.placing;
    if (code === null || progress === null || progress === "one") return;
    this.selected = code;
    const end = this.guides.wanted(code);
    announce(end ? `For guide lines, click ${end}, or press S to go on without` : `Point ${progress.count} of ${progress.of}: ${this.session.landmarks.text(code)}`);
  }

  /** A place on the film. @param {Place} place */
  #within({ x, y }) {
    const { columns, rows } = this.session.foot;
    return { x: Math.min(Math.max(x, 0), columns - 1), y: Math.min(Math.max(y, 0), rows - 1) };
  }
}
