import { announce } from "./announcer.js";
import { api } from "./api.js";
import { banner, note } from "./banners.js";
import { Compare } from "./compare.js";
import { Deciding } from "./deciding.js";
import { make, refill } from "./dom.js";
import { filmActions, filmKeys } from "./film_actions.js";
import { FilmOnStage } from "./film_on_stage.js";
import { pointersOnFilm } from "./film_pointers.js";
import { FilmTools } from "./film_tools.js";
import { FootHead } from "./foot_head.js";
import { FootLayout } from "./foot_layout.js";
import { FootPicture } from "./foot_picture.js";
import { FootSession } from "./foot_session.js";
import { HistoryPanel } from "./history_panel.js";
import { listen } from "./keys.js";
import { askBeforeLeaving } from "./leaving.js";
import { NumbersPanel } from "./numbers_panel.js";
import { Orientation } from "./orientation.js";
import { PointCard } from "./point_card.js";
import { KIND_WORDS, SIGNS } from "./point_kinds.js";
import { PointTools } from "./point_tools.js";
import { PointsList } from "./points_list.js";
import { PrintSheet } from "./print_sheet.js";
import { Stage } from "./stage.js";
import { VerdictPanel } from "./verdict_panel.js";

/**
 * One foot on its film: look, correct, decide. This module puts the parts of the page together; what a part does stands
 * in its own module, and the parts hear of each other through the events of the foot's session.
 *
 * @typedef {import("./types.js").Foot} Foot
 */

/** How long a note stays that the list has come to its end, ms. */
const END_NOTE = 5000;

export class FilmPage {
  /** @param {import("./app.js").App} app @param {Foot} foot @param {number} began when the foot was asked for, ms */
  constructor(app, foot, began) {
    this.app = app;
    this.began = began;
    /** Saving is to lead nowhere else. */
    this.leaving = false;
    /** @type {Compare|null} */
    this.compare = null;
    const session = this.session = new FootSession(app, foot);
    const { blind, events } = session;

    this.stage = new Stage("Film. Arrow keys move the chosen point, or the film if none is chosen; comma and full stop choose points.", () => this.picture.drawing());
    this.points = new PointTools(session, this.stage);
    this.orientation = new Orientation(foot, this.stage.view);
    this.film = new FilmOnStage(session, this.stage, () => this.#updateTools());
    this.stage.element.append(this.orientation.element);
    this.picture = new FootPicture(session, this.points, this.stage, this.orientation);
    this.deciding = new Deciding(session, { begin: () => this.points.stop(), placeAnew: () => this.points.guide(), onward: () => this.#onward() });
    this.list = new PointsList((code, byKey) => {
      this.points.select(code, true);
      if (!byKey) this.stage.element.focus({ preventScroll: true });
    });
    this.bar = new FilmTools(filmActions(this), {
      window: (window) => this.film.setWindow(window),
      turn: (degrees) => this.stage.view.rotate((degrees - this.stage.view.turn) * (this.stage.view.mirrored ? -1 : 1)),
    });
    this.card = new PointCard(this.points);
    this.numbers = new NumbersPanel(session, {
      look: (name) => void this.deciding.look(name),
      giveBack: (name) => this.deciding.giveBack(name),
      point: (code) => this.points.select(code, true),
    });
    this.verdict = new VerdictPanel(session, (verdict) => void this.deciding.decide(verdict));
    this.history = new HistoryPanel(session.review);
    this.head = new FootHead(session, (direction) => void this.go(direction));
    this.layout = new FootLayout({ head: this.head.element, points: this.list.list, tools: this.bar.element, stage: this.stage.element, card: this.card.element,
      numbers: blind ? null : this.numbers.element, noting: this.verdict.noting, history: this.history.element, verdict: this.verdict.element });
    this.printSheet = new PrintSheet(() => this.#sheet());
    this.history.update(foot.history, foot.earlier);

    this.stage.view.changed = () => {
      this.stage.draw();
      this.compare?.follow();
      this.#updateTools();
    };
    pointersOnFilm(this.points, this.picture, this.bar, (window) => this.film.setWindow(window));
    events.on("changed", () => this.refresh());
    events.on("numbers", () => this.numbers.update());
    events.on("measured", ({ measured, took }) => this.#measured(measured, took));
    events.on("read", () => this.history.update(session.foot.history, session.foot.earlier));
    events.on("claimed", (other) => banner("claim", other ? `${other} is working on this foot. You can look, but not change it.` : null, "warning",
      make("button", { type: "button", textContent: "Try to take it", onclick: () => session.claim.take() })));
    this.bar.buttons.get("compare").hidden = blind;
    this.stopKeys = listen("film", filmKeys(this));
    this.beforeUnload = (/** @type {BeforeUnloadEvent} */ event) => {
      if (session.unsaved) event.preventDefault();
    };
    window.addEventListener("beforeunload", this.beforeUnload);
  }

  /** @param {HTMLElement} main */
  async open(main) {
    const { session } = this;
    const { foot } = session;
    refill(main, this.layout.element);
    document.title = `${session.title} – Raysplay review`;
    this.film.open();
    if (session.blind && foot.state === "open") this.points.guide();
    this.refresh();
    this.head.heading.focus({ preventScroll: true });
    const claimed = session.claim.take();
    if (await this.film.show()) {
      performance.measure("film visible", { start: this.began, end: performance.now() });
      this.layout.mark("film", "visible");
    }
    await claimed;
    if (!session.stopped) this.app.prefetch(foot.next);
  }

  /** Whether the page may be left; asks if something is unsaved. */
  async leave() {
    const { session, verdict } = this;
    const { machine } = session;
    if (!session.unsaved) return true;
    const main = machine.main && machine.may(machine.main) ? machine.main : null;
    const answer = await askBeforeLeaving({
      points: session.edit.unsavedCodes.length,
      save: main ? verdict.mainText.textContent : null,
      lack: machine.lack("edit") || (verdict.standing.textContent ?? ""),
    });
    if (answer !== "save" || !main) return answer === "leave";
    this.leaving = true;
    await this.deciding.decide(main);
    this.leaving = false;
    return !session.unsaved;
  }

  close() {
    this.session.close();
    this.stopKeys();
    this.compare?.close();
    this.stage.close();
    this.printSheet.close();
    window.removeEventListener("beforeunload", this.beforeUnload);
    for (const name of ["claim", "waiting", "film", "measure", "overtaken", "end"]) banner(name, null);
  }

  escape() {
    const { points } = this;
    if (points.placing.progress === "one") points.stop();
    else if (this.layout.listOpen) this.toggleList();
    else if (points.selected && !points.placing.active) points.select(null);
    else this.app.go("#/feet");
  }

  toggleList() {
    this.layout.listOpen = !this.layout.listOpen;
    this.#updateTools();
  }

  async toggleCompare() {
    const { session, compare } = this;
    if (session.blind) return;
    if (compare) {
      compare.close();
      this.compare = null;
    } else {
      this.compare = new Compare(session.foot, session.review, this.app.films, {
        view: this.stage.view,
        place: (code) => (session.edit.state(code).visible ? session.edit.place(code) : null),
        hidden: () => this.picture.hidden,
        chosen: (other) => {
          session.compared = other;
          if (!session.stopped) session.measuring.ask();
          session.changed();
        },
      });
    }
    this.layout.setBeside(this.compare?.element ?? null);
    this.refresh();
    await this.compare?.open();
  }

  /** @param {import("./foot_session.js").Measurements} measured @param {number} took ms */
  #measured(measured, took) {
    const { session } = this;
    this.stage.paint();
    performance.measure("angles updated", { start: performance.now() - took, end: performance.now() });
    const { comparison } = measured;
    if (comparison && session.compared?.id === comparison.id && session.compared.version !== comparison.version) void this.compare?.show(comparison.id);
    if (!session.blind && !this.points.placing.active && !session.behind) announce(this.numbers.spoken(measured), 700);
  }

  // --- the way through the list ---------------------------------------------------------------------------------

  /** @param {"next"|"previous"} direction */
  async go(direction) {
    const { session } = this;
    const { id } = await api.neighbour(session.id, direction, this.app.filters);
    if (session.stopped) return;
    if (id) await this.app.go(`#/foot/${id}`);
    else this.#atEnd(`This is the ${direction === "next" ? "last" : "first"} ${session.blind ? "read" : "foot"} of the list.`);
  }

  /** After a read was saved: to the next foot, if the reader wants that and there is one. @returns {Promise<boolean>} whether this page is left */
  async #onward() {
    const { session } = this;
    if (!this.verdict.goOn.checked || this.leaving) return false;
    const { id } = await api.neighbour(session.id, "next", this.app.filters);
    if (session.stopped) return true;
    if (id) await this.app.go(`#/foot/${id}`);
    else this.#atEnd(`Saved. This was the last ${session.blind ? "read" : "foot"} of the list.`);
    return Boolean(id);
  }

  /** @param {string} text */
  #atEnd(text) {
    announce(text);
    note("end", text);
    setTimeout(() => banner("end", null), END_NOTE);
  }

  // --- showing ------------------------------------------------------------------------------------------------

  /** Bring everything that is shown to what is. */
  refresh() {
    const { session, points, picture } = this;
    if (session.stopped) return;
    const { foot, edit, landmarks } = session;
    const { selected, placing, guides } = points;
    this.layout.mark("state", foot.state);
    this.head.update();
    this.list.update(picture.codes.map((code) => {
      const kind = session.kind(code);
      return { code, name: landmarks.part(code), bone: landmarks.bone(code), sign: SIGNS[kind], words: edit.unsaved(code) ? `${kind === "hidden" ? "not visible, " : ""}unsaved` : KIND_WORDS[kind] };
    }), selected);
    this.card.update(selected ? {
      code: selected,
      name: landmarks.name(selected),
      end: placing.guided ? guides.wanted(selected) : null,
      guide: guides.state(selected),
      text: landmarks.text(selected),
      where: picture.where(selected),
      visible: edit.state(selected).visible,
      placed: edit.place(selected) !== null,
      atModel: edit.atModel(selected),
    } : null, placing.progress, !session.machine.enabled("edit"), foot.rows ? session.missing.length : 0);
    this.stage.element.classList.toggle("placing", placing.active);
    this.numbers.update();
    this.verdict.update();
    this.#updateTools();
    this.stage.draw();
  }

  /** What is printed. @returns {import("./print_sheet.js").Sheet} */
  #sheet() {
    const { session, stage } = this;
    const { foot, review, title, side, construction, measured, behind, edit } = session;
    return {
      foot, session: review, title, side, construction, measured, film: stage.film, window: stage.window, drawing: this.picture.drawing(),
      behind, unsaved: edit.unsavedCodes.length, changed: edit.unsavedRest, note: session.note.trim(), reader: review.reader ?? "",
      worded: (text) => session.landmarks.worded(text),
    };
  }

  #updateTools() {
    const { session, stage, picture } = this;
    const { edit } = session;
    this.orientation.update();
    this.bar.update({
      canUndo: edit.steps.can("undo") && session.mayShift("undo"),
      canRedo: edit.steps.can("redo") && session.mayShift("redo"),
      pressed: { mirror: stage.view.mirrored, allPoints: picture.all, labels: picture.labels, hide: picture.hidden, compare: this.compare !== null, list: this.layout.listOpen },
      window: stage.window,
      turn: stage.view.turn,
    });
  }
}
