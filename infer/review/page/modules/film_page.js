import { announce } from "./announcer.js";
import { api, ApiError, outOfReach } from "./api.js";
import { banner } from "./banners.js";
import { Claim } from "./claim.js";
import { Compare, home } from "./compare.js";
import { askConflict } from "./conflict_dialog.js";
import { ask } from "./dialog.js";
import { make, refill } from "./dom.js";
import { FilmTools } from "./film_tools.js";
import { FootEdit } from "./foot_edit.js";
import { followPointers } from "./gestures.js";
import { adjusted, usualWindow } from "./grey_window.js";
import { HistoryPanel } from "./history_panel.js";
import { listen } from "./keys.js";
import { Measuring } from "./measuring.js";
import { NumbersPanel } from "./numbers_panel.js";
import { pointAt } from "./overlay.js";
import { PointCard } from "./point_card.js";
import { PointsList } from "./points_list.js";
import { sendRead } from "./saving.js";
import { Stage } from "./stage.js";
import { VerdictPanel } from "./verdict_panel.js";
import { DECISIONS, STATES, VERDICTS, counted, footName } from "./words.js";

/**
 * One foot on its film: look, correct, decide.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./verdict_panel.js").Verdict} Verdict
 */

/** Arrow steps, film pixels, by the key held. */
const STEP = { plain: 0.25, Shift: 1, Alt: 0.05, Control: 20 };
/** What an arrow moves the film by where no point is chosen, CSS pixels. */
const PAN = 48;
/** Least CSS pixels for each film pixel when the view goes to a point. */
const CLOSE = 3;
const SIGNS = { model: "○", doubtful: "◇", moved: "□", hidden: "✕", none: "·" };
const KIND_WORDS = { model: "", doubtful: "doubtful", moved: "by hand", hidden: "not visible", none: "not placed" };

export class FilmPage {
  /** @param {import("./app.js").App} app @param {number} id */
  constructor(app, id) {
    this.app = app;
    this.session = app.session;
    this.landmarks = app.landmarks;
    this.id = id;
    this.blind = this.session.study !== null;
    /** @type {Foot|null} */
    this.foot = null;
    /** @type {string|null} */
    this.selected = null;
    /** @type {string[]|null} codes still to be placed by clicks */
    this.placing = null;
    this.guided = false;
    this.all = false;
    this.labels = false;
    this.hidden = false;
    this.saving = false;
    /** @type {import("./types.js").Measurements|null} */
    this.measured = null;
    /** @type {Compare|null} */
    this.compare = null;
    /** @type {Foot|null} */
    this.other = null;
    this.side = "";
    /** @type {{matrix: any}|null} view before a zoom to a point */
    this.viewBefore = null;
  }

  /** @param {HTMLElement} main */
  async open(main) {
    const began = performance.now();
    this.stopped = false;
    const foot = /** @type {Foot} */ (await this.app.foot(this.id));
    this.foot = foot;
    this.side = foot.foot;
    this.construction = foot.construction;
    this.edit = new FootEdit(this.landmarks.complete(foot.points), () => this.#changed());
    this.before = Object.fromEntries(foot.measured.measures.map((one) => [one.name, one.value]));
    this.measured = foot.measured;
    this.savedNote = foot.note;
    this.measuring = new Measuring(() => this.#toMeasure(), (measured, took) => this.#arrived(measured, took), (error) => this.#measureFailed(error), (busy) => this.numbers.element.setAttribute("aria-busy", String(busy)));
    this.#build(main, foot);
    this.claim = new Claim(this.id, this.session.claim_seconds, (other) => this.#claimed(other));
    this.stopKeys = listen("film", this.#keys());
    this.beforeUnload = (/** @type {BeforeUnloadEvent} */ event) => {
      if (this.#unsaved()) event.preventDefault();
    };
    window.addEventListener("beforeunload", this.beforeUnload);
    if (this.blind && foot.state === "open") this.#guide();
    this.refresh();
    const claimed = this.claim.take();
    await this.#showFilm(foot, began);
    await claimed;
    if (!this.stopped) this.app.prefetch(foot.next);
  }

  /** Whether the page may be left; asks if something is unsaved. */
  async leave() {
    if (!this.#unsaved()) return true;
    const changed = this.edit.unsavedCodes.length;
    const what = changed ? `You changed ${counted(changed, "point")} and have not saved.` : "You changed something and have not saved it.";
    const answer = await ask({
      title: "Leave without saving?",
      body: [make("p", { textContent: what })],
      choices: [{ text: "Stay here", value: null, main: true }, { text: "Leave, and lose the changes", value: "leave" }],
    });
    return answer === "leave";
  }

  close() {
    this.stopped = true;
    this.claim?.release();
    this.measuring?.stop();
    this.stopKeys?.();
    this.compare?.close();
    this.stage?.close();
    if (this.beforeUnload) window.removeEventListener("beforeunload", this.beforeUnload);
    for (const name of ["claim", "waiting", "film", "measure"]) banner(name, null);
  }

  // --- building -----------------------------------------------------------------------------------------------

  /** @param {HTMLElement} main @param {Foot} foot */
  #build(main, foot) {
    const go = (/** @type {"next"|"previous"} */ direction, /** @type {string} */ text, /** @type {string} */ label) =>
      make("button", { type: "button", textContent: text, "aria-label": label, data: { go: direction }, onclick: () => this.go(direction) });
    const decision = foot.decision ? DECISIONS[foot.decision] : null;
    this.badge = make("span", { className: "badge" });
    this.remarks = [...(foot.reasons ?? []), ...foot.remarks];
    const title = foot.film ?? `Read ${foot.id} of ${this.session.study?.reads_total ?? ""}`;
    this.sideChoice = foot.foot ? null : make("select", { "aria-label": "Side of the foot", onchange: () => this.#setSide(this.sideChoice.value) },
      ...[["", "Side?"], ["L", "Left foot"], ["R", "Right foot"]].map(([value, text]) => make("option", { value, textContent: text })));
    this.heading = make("h1", { id: "foot-title", tabIndex: -1 }, title, ", ", make("span", { textContent: footName(foot.foot) }));
    const head = make("div", { className: "foot-head" },
      make("a", { href: "#/feet", className: "back", textContent: "Worklist" }),
      make("div", { className: "who" }, this.heading, this.sideChoice, this.badge,
        decision ? make("span", { className: `decision ${foot.decision}`, textContent: `${decision.sign} ${decision.text}` }) : null,
        this.remarks.length ? make("p", { className: "reasons", textContent: this.remarks.join(" · "), title: this.remarks.join("\n") }) : null),
      make("div", { className: "way" }, go("previous", "‹ Previous", "Foot before"), go("next", "Next ›", "Next foot")));

    this.list = new PointsList((code, byKey) => {
      this.select(code, true);
      if (!byKey) this.stage.element.focus({ preventScroll: true });
    });
    this.stage = new Stage("Film. Arrow keys move the chosen point, or the film if none is chosen; comma and full stop choose points.", () => this.#drawing());
    this.tools = new FilmTools(this.#actions(), {
      window: (window) => this.#setWindow(window),
      turn: (degrees) => this.stage.view.rotate((degrees - this.stage.view.turn) * (this.stage.view.mirrored ? -1 : 1)),
    });
    this.card = new PointCard({
      place: () => this.place(),
      visible: () => this.toggleVisible(),
      reset: () => this.resetPoint(),
      skip: () => this.#skip(),
      stop: () => this.#stopPlacing(),
      nudge: (dx, dy) => this.#nudge(dx, dy, "card"),
    });
    this.numbers = new NumbersPanel(this.session, {
      construction: (name) => {
        this.construction = name;
        this.measuring.ask();
        this.refresh();
      },
      grading: () => this.measuring.ask(),
    });
    this.numbers.construction.value = foot.construction;
    this.numbers.construction.disabled = this.blind;
    this.verdict = new VerdictPanel(this.session.reasons_not_measurable, (verdict, reason) => this.save(verdict, reason), () => this.refresh());
    this.verdict.note.value = foot.note;
    this.history = new HistoryPanel(this.session);
    this.history.update(foot.history);
    this.loading = make("p", { className: "loading", textContent: "Fetching the film…" });
    this.stage.element.append(this.loading);
    this.stages = make("div", { className: "stages" }, this.stage.element);
    this.tools.buttons.get("compare").hidden = this.blind;
    this.element = make("div", { className: "film-page" },
      head,
      make("section", { className: "points", "aria-labelledby": "points-title" },
        make("h2", { id: "points-title", textContent: "Points" }), this.list.list),
      make("section", { className: "middle", "aria-label": "Film" }, this.tools.element, this.stages, this.card.element),
      make("div", { className: "side" },
        make("div", { className: "side-scroll", tabIndex: 0, role: "region", "aria-label": "Numbers, note and history" },
          this.blind ? null : this.numbers.element, this.verdict.noting, this.history.element),
        this.verdict.element));
    refill(main, this.element);
    document.title = `${this.blind ? title : `${title} ${footName(foot.foot)}`} – Raysplay review`;
    this.stage.view.open({ rows: foot.rows || 1, columns: foot.columns || 1, aspect: foot.aspect }, home(foot));
    this.stage.view.changed = () => {
      this.stage.draw();
      this.compare?.follow();
      this.#updateTools();
    };
    this.#gestures();
    this.heading.focus({ preventScroll: true });
  }

  /** @param {Foot} foot @param {number} began */
  async #showFilm(foot, began) {
    this.usual = { ...foot.window, inverted: false };
    if (foot.film_notice) {
      this.loading.textContent = foot.film_notice;
      banner("film", foot.film_notice);
      return;
    }
    try {
      const film = await this.app.films.get(foot.film_id);
      if (this.stopped) return;
      this.usual = usualWindow(film.levels, home(foot));
      this.stage.window = this.usual;
      this.stage.load(film);
      this.stage.paint();
      this.loading.remove();
      performance.measure("film visible", { start: began, end: performance.now() });
      this.element.dataset.film = "visible";
      this.#updateTools();
    } catch (error) {
      if (!(error instanceof ApiError) || this.stopped) throw error;
      this.loading.textContent = error.message;
      banner("film", error.message);
    }
  }

  #gestures() {
    followPointers(this.stage.element, {
      view: this.stage.view,
      pointAt: (at, reach) => (this.hidden ? null : pointAt(this.stage.view, this.#drawnPoints(), at, reach, this.selected)),
      mayDrag: () => !this.#locked() && !this.guided,
      windowTool: () => this.tools.dragWindow,
      grab: (code) => {
        this.#stopPlacing();
        this.select(code);
        this.stage.element.classList.add("dragging");
      },
      drag: (dx, dy) => {
        const place = this.edit.place(/** @type {string} */ (this.selected));
        if (!place) return;
        const at = this.stage.view.toScreen(place);
        const to = this.#within(this.stage.view.toFilm({ x: at.x + dx, y: at.y + dy }));
        this.stage.magnified = to;
        this.edit.move(/** @type {string} */ (this.selected), to, "drag");
      },
      drop: () => {
        this.stage.magnified = null;
        this.stage.element.classList.remove("dragging");
        this.edit.settle();
        this.refresh();
      },
      click: (at, code) => {
        if (this.placing && !this.#locked()) this.#placeAt(this.stage.view.toFilm(at));
        else if (code) this.select(code);
      },
      hover: (at) => {
        const lens = this.placing && at ? this.stage.view.toFilm(at) : null;
        if (lens === null && this.stage.magnified === null) return;
        this.stage.magnified = lens;
        this.stage.draw();
      },
      window: (dx, dy) => this.#setWindow(adjusted(this.stage.window, -dy / 300, dx / 300)),
    });
  }

  #actions() {
    const view = () => this.stage.view;
    return {
      undo: () => this.undo(),
      redo: () => this.redo(),
      zoomIn: () => view().zoom(1.25),
      zoomOut: () => view().zoom(0.8),
      fit: () => view().fit(),
      fitFilm: () => view().fit(true),
      oneToOne: () => view().oneToOne(),
      turnLeft: () => view().rotate(-90),
      turnRight: () => view().rotate(90),
      tiltLeft: () => view().rotate(-5),
      tiltRight: () => view().rotate(5),
      mirror: () => view().mirror(),
      resetView: () => {
        view().reset();
        this.#setWindow(this.usual);
      },
      allPoints: () => {
        this.all = !this.all;
        this.refresh();
      },
      labels: () => {
        this.labels = !this.labels;
        this.refresh();
      },
      hide: () => {
        this.hidden = !this.hidden;
        this.refresh();
        announce(this.hidden ? "Points and axes hidden" : "Points and axes shown");
      },
      compare: () => this.toggleCompare(),
      list: () => {
        this.element.classList.toggle("list-open");
        this.refresh();
      },
    };
  }

  #keys() {
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    return {
      ...this.#actions(),
      confirm: () => this.verdict.confirm(),
      next: () => this.go("next"),
      previous: () => this.go("previous"),
      notMeasurable: () => void this.verdict.askReason(),
      note: () => this.verdict.note.focus(),
      escape: () => this.escape(),
      nextPoint: () => this.#step(1, () => true),
      previousPoint: () => this.#step(-1, () => true),
      nextDoubtful: () => this.#step(1, (/** @type {string} */ code) => ["doubtful", "none"].includes(this.#kind(code))),
      zoomToPoint: () => this.zoomToPoint(),
      nudge: (/** @type {KeyboardEvent} */ event) => {
        if (/** @type {HTMLElement} */ (event.target).closest("[role=toolbar], [role=listbox]")) return false;
        const held = event.ctrlKey || event.metaKey ? "Control" : event.altKey ? "Alt" : event.shiftKey ? "Shift" : "plain";
        const [dx, dy] = /** @type {any} */ (arrows)[event.key];
        this.#nudge(dx * STEP[held], dy * STEP[held], "key");
        return true;
      },
      place: () => this.place(),
      placeMiddle: () => {
        if (!this.placing || this.#locked()) return false;
        this.#placeAt(this.stage.view.toFilm(this.stage.view.centre));
        return true;
      },
      visible: () => this.toggleVisible(),
      resetPoint: () => this.resetPoint(),
      brighter: () => this.#setWindow(adjusted(this.stage.window, 0.05, 0)),
      darker: () => this.#setWindow(adjusted(this.stage.window, -0.05, 0)),
      harder: () => this.#setWindow(adjusted(this.stage.window, 0, 0.08)),
      softer: () => this.#setWindow(adjusted(this.stage.window, 0, -0.08)),
      invert: () => this.#setWindow({ ...this.stage.window, inverted: !this.stage.window.inverted }),
    };
  }

  // --- points -------------------------------------------------------------------------------------------------

  /** @param {string} code @returns {"model"|"doubtful"|"moved"|"hidden"|"none"} */
  #kind(code) {
    const state = this.edit.state(code);
    if (!state.visible && (state.x !== null || this.blind)) return "hidden";
    if (state.x === null) return "none";
    if (state.moved) return "moved";
    return this.edit.given.get(code)?.doubtful ? "doubtful" : "model";
  }

  /** Codes in the list and on the film: those needed, those touched, or all. */
  #shownCodes() {
    const needed = new Set(this.landmarks.needed(this.construction));
    return this.session.schema.map(({ code }) => code).filter((code) => this.all || needed.has(code) || this.edit.state(code).moved || code === this.selected);
  }

  #drawnPoints() {
    return this.#shownCodes().flatMap((code) => {
      const place = this.edit.place(code);
      const kind = this.#kind(code);
      if (!place || kind === "none") return [];
      const given = this.edit.given.get(code);
      const spread = code === this.selected && kind !== "moved" && typeof given?.var_x === "number"
        ? /** @type {[number, number, number]} */ ([given.var_x, given.cov_xy, given.var_y]) : null;
      return [{ code, place, kind, covariance: spread }];
    });
  }

  #drawing() {
    if (!this.foot || this.hidden) return null;
    const keyboard = this.placing && !this.stage.magnified;
    return {
      points: this.#drawnPoints(),
      axes: this.measured?.axes ?? [],
      selected: this.selected,
      labels: this.labels,
      cross: keyboard ? this.stage.view.centre : null,
      outline: this.blind || !this.measured?.axes.length ? this.foot.outline : null,
    };
  }

  /** @param {string|null} code @param {boolean} [reveal] */
  select(code, reveal = false) {
    if (this.placing && !this.guided && code !== this.selected) this.#stopPlacing();
    this.selected = code;
    const place = code && this.edit.place(code);
    if (place && reveal) this.stage.view.reveal(place);
    this.refresh();
    if (code) announce(`${code}, ${this.landmarks.text(code)}. ${KIND_WORDS[this.#kind(code)]}`);
  }

  /** @param {1|-1} step @param {(code: string) => boolean} fits */
  #step(step, fits) {
    const { codes } = this.list;
    const start = this.selected ? codes.indexOf(this.selected) : step > 0 ? -1 : 0;
    for (let k = 1; k <= codes.length; k++) {
      const code = codes[(start + step * k + codes.length * 2) % codes.length];
      if (fits(code)) {
        this.select(code, true);
        return;
      }
    }
    announce("None");
  }

  zoomToPoint() {
    const { view } = this.stage;
    if (this.viewBefore) {
      view.screenFromFilm = this.viewBefore.matrix;
      this.viewBefore = null;
      view.changed(view);
      return;
    }
    const place = this.selected && this.edit.place(this.selected);
    if (!place) return;
    const matrix = view.screenFromFilm;
    view.centreOn(place, Math.max(view.scale, CLOSE));
    this.viewBefore = { matrix };
  }

  /** @param {number} dx @param {number} dy steps on the screen, in film pixels @param {string} kind */
  #nudge(dx, dy, kind) {
    const { view } = this.stage;
    const place = this.selected && !this.placing ? this.edit.place(this.selected) : null;
    if (!place || !this.selected) {
      view.pan(-Math.sign(dx) * PAN, -Math.sign(dy) * PAN);
      return;
    }
    if (this.#locked()) {
      announce(this.#locked() ?? "");
      return;
    }
    const at = view.toScreen(place);
    const to = view.toFilm({ x: at.x + dx * view.scale, y: at.y + dy * view.scale });
    this.edit.move(this.selected, this.#within(to), kind);
    view.reveal(to);
  }

  /** A place on the film. @param {Place} place */
  #within({ x, y }) {
    const foot = /** @type {Foot} */ (this.foot);
    return { x: Math.min(Math.max(x, 0), foot.columns - 1), y: Math.min(Math.max(y, 0), foot.rows - 1) };
  }

  place() {
    if (!this.selected || this.#locked()) return;
    this.placing = [this.selected];
    this.guided = false;
    this.refresh();
    announce(`Click where ${this.selected} belongs, or move the film under the cross and press Space. Escape stops.`);
  }

  /** Lead through all needed points that have no place. */
  #guide() {
    const missing = this.#missing();
    if (!missing.length) return;
    this.total = this.landmarks.needed(this.construction).length;
    this.placing = missing;
    this.guided = true;
    this.#announceGuided();
  }

  #missing() {
    return this.landmarks.needed(this.construction).filter((code) => this.#kind(code) === "none");
  }

  #announceGuided() {
    const [code] = /** @type {string[]} */ (this.placing);
    this.selected = code;
    announce(`Point ${this.#count()} of ${this.total}: ${code}, ${this.landmarks.text(code)}`);
  }

  #count() {
    return this.total - /** @type {string[]} */ (this.placing).length + 1;
  }

  /** @param {Place} film */
  #placeAt(film) {
    const [code, ...rest] = /** @type {string[]} */ (this.placing);
    this.stage.magnified = null;
    this.edit.move(code, this.#within(film));
    this.#advance(rest, code);
  }

  #skip() {
    const [code, ...rest] = /** @type {string[]} */ (this.placing);
    this.#advance([...rest, code], code);
  }

  /** @param {string[]} rest @param {string} code just dealt with */
  #advance(rest, code) {
    if (this.guided && rest.length) {
      this.placing = rest;
      this.#announceGuided();
    } else {
      this.#stopPlacing();
      this.selected = code;
      announce(this.blind && !this.#missing().length ? "All points are placed. Enter saves the read." : `${code} placed`);
    }
    this.refresh();
  }

  #stopPlacing() {
    this.placing = null;
    this.guided = false;
    this.stage.magnified = null;
    this.refresh();
  }

  toggleVisible() {
    const code = this.selected;
    if (!code || this.#locked()) return;
    const state = this.edit.state(code);
    this.edit.show(code, !state.visible);
    announce(`${code} ${state.visible ? "not visible" : "visible"}`);
    if (this.placing?.[0] === code && !this.edit.state(code).visible) this.#advance(this.placing.slice(1), code);
  }

  resetPoint() {
    if (!this.selected || this.#locked()) return;
    this.edit.reset([this.selected]);
    announce(`${this.selected} as the model left it`);
  }

  undo() {
    if (this.#locked()) return;
    const words = this.edit.undo();
    announce(words ? `Undone: ${words}` : "Nothing to undo");
    if (this.blind && !this.placing) this.#guide();
    else if (this.guided) {
      this.placing = this.#missing();
      if (this.placing.length) this.#announceGuided();
    }
    this.refresh();
  }

  redo() {
    if (this.#locked()) return;
    const words = this.edit.redo();
    announce(words ? `Done again: ${words}` : "Nothing to do again");
    if (this.guided) {
      this.placing = this.#missing();
      if (this.placing.length) this.#announceGuided();
      else this.#stopPlacing();
    }
    this.refresh();
  }

  escape() {
    if (this.placing && !this.guided) this.#stopPlacing();
    else if (this.element.classList.contains("list-open")) this.element.classList.remove("list-open");
    else if (this.selected && !this.guided) this.select(null);
    else this.app.go("#/feet");
  }

  // --- view ---------------------------------------------------------------------------------------------------

  /** @param {import("./grey_window.js").GreyWindow} window */
  #setWindow(window) {
    this.stage.window = window;
    this.stage.draw();
    this.#updateTools();
  }

  async toggleCompare() {
    if (this.compare) {
      this.compare.close();
      this.compare.element.remove();
      this.compare = null;
      this.element.classList.remove("comparing");
      this.refresh();
      return;
    }
    if (this.blind) return;
    this.compare = new Compare(/** @type {Foot} */ (this.foot), this.session, this.app.films, {
      view: this.stage.view,
      place: (code) => (this.edit.state(code).visible ? this.edit.place(code) : null),
      hidden: () => this.hidden,
      chosen: (other) => {
        this.other = other;
        this.refresh();
      },
    });
    this.stages.append(this.compare.element);
    this.element.classList.add("comparing");
    this.refresh();
    await this.compare.open();
  }

  // --- numbers ------------------------------------------------------------------------------------------------

  #toMeasure() {
    return { id: this.id, construction: this.construction, grading: this.numbers.grading.value, ...(this.side ? { side: this.side } : {}), points: this.edit.changesToSend() };
  }

  /** @param {import("./types.js").Measurements} measured @param {number} took */
  #arrived(measured, took) {
    banner("measure", null);
    this.measured = measured;
    this.refresh();
    this.stage.paint();
    performance.measure("angles updated", { start: performance.now() - took, end: performance.now() });
    if (!this.blind && !this.placing) announce(this.numbers.spoken(measured), 700);
  }

  /** @param {ApiError} error */
  #measureFailed(error) {
    if (!outOfReach(error)) banner("measure", `The numbers do not belong to these points: ${error.message}`);
  }

  /** @param {string} side */
  #setSide(side) {
    this.side = side;
    this.measuring.ask();
    this.refresh();
  }

  // --- deciding -----------------------------------------------------------------------------------------------

  #unsaved() {
    const foot = this.foot;
    if (!foot || this.stopped || !this.edit) return false;
    return this.edit.unsavedCodes.length > 0 || this.verdict.note.value.trim() !== this.savedNote.trim();
  }

  /** Why nothing can be changed, or null. */
  #locked() {
    if (this.claim?.other) return `${this.claim.other} is working on this foot. You can look, but not change it.`;
    if (this.saving) return "Saving…";
    return this.foot?.state !== "open" ? "Reopen the foot to change it." : null;
  }

  /** @param {string|null} other */
  #claimed(other) {
    banner("claim", other ? `${other} is working on this foot. You can look, but not change it.` : null, "warning",
      make("button", { type: "button", textContent: "Try to take it", onclick: () => this.claim.take() }));
    this.refresh();
  }

  /** @param {Verdict} verdict @param {string|null} reason */
  async save(verdict, reason) {
    if (this.saving || !this.foot) return;
    this.saving = true;
    this.#stopPlacing();
    const body = this.#read(verdict, reason);
    try {
      await this.#stand(await sendRead(this.id, body, (waiting) => this.#waiting(waiting)), verdict);
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      this.saving = false;
      if (error.status === 409 && error.body?.theirs) await this.#conflict(body, error.body);
      else if (error.status === 409) this.#claimed(error.body?.claim?.reader ?? "Another reader");
      else await ask({ title: "Not saved", body: [make("p", { textContent: `${error.message} Nothing was changed; your points are still here.` })], choices: [{ text: "Back", value: null, main: true }] });
    } finally {
      this.saving = false;
      if (!this.stopped) this.refresh();
    }
  }

  /** @param {Verdict} verdict @param {string|null} reason */
  #read(verdict, reason) {
    const reopening = verdict === "reopen";
    return {
      version: /** @type {Foot} */ (this.foot).version,
      verdict,
      reason: reason ?? "",
      note: this.verdict.note.value.trim(),
      ...(reopening ? {} : { construction: this.construction, points: this.edit.toSend() }),
      ...(this.side && !this.foot?.foot ? { side: this.side } : {}),
    };
  }

  /** @param {boolean} waiting */
  #waiting(waiting) {
    banner("waiting", waiting ? "Your read is kept in this page and sent again until it arrives: leave the page open." : null);
  }

  /** A read was taken. @param {{version: number, state: string}} saved @param {Verdict} verdict */
  async #stand(saved, verdict) {
    const foot = /** @type {Foot} */ (this.foot);
    foot.version = saved.version;
    foot.state = saved.state;
    this.saving = false;
    this.savedNote = this.verdict.note.value;
    if (verdict !== "reopen") this.edit.markSaved();
    foot.construction = this.construction ?? foot.construction;
    announce(`Saved: ${VERDICTS[verdict]}`);
    this.app.saved();
    if (verdict !== "reopen" && this.verdict.goOn.checked) {
      const { id } = await api.neighbour(this.id, "next", this.app.filters);
      if (id) {
        await this.app.go(`#/foot/${id}`);
        return;
      }
      announce("Saved. This was the last foot of the list.");
    }
    await this.history.load(this.id);
    foot.history = await api.history(this.id);
    if (this.blind && saved.state === "open") this.#guide();
    this.refresh();
  }

  /** @param {any} body @param {{theirs: any, yours: any}} both */
  async #conflict(body, both) {
    const choice = await askConflict(this.session, both.theirs, both.yours);
    if (choice === "theirs") await this.#takeTheirs(both.theirs.reader);
    else if (choice === "mine") await this.#saveOver(body, both.theirs);
  }

  /** @param {string} reader */
  async #takeTheirs(reader) {
    const theirs = await this.app.foot(this.id);
    const mine = this.verdict.note.value;
    this.foot = theirs;
    this.construction = theirs.construction;
    this.numbers.construction.value = theirs.construction;
    this.edit.take(this.landmarks.complete(theirs.points), `points of ${reader}`);
    this.edit.markSaved();
    this.savedNote = theirs.note;
    this.verdict.note.value = theirs.note && mine && mine !== theirs.note ? `${theirs.note}\n${mine}` : theirs.note || mine;
    this.history.update(theirs.history);
    this.measuring.ask();
    this.refresh();
  }

  /** @param {any} body @param {any} theirs */
  async #saveOver(body, theirs) {
    let { version } = theirs;
    this.saving = true;
    try {
      if (theirs.state === "confirmed") {
        ({ version } = await sendRead(this.id, { version, verdict: "reopen", reason: "", note: "" }, (waiting) => this.#waiting(waiting)));
      }
      const standing = await this.app.foot(this.id);
      const differs = JSON.stringify(sent(this.landmarks.complete(standing.points))) !== JSON.stringify(sent(body.points)) || standing.construction !== body.construction;
      const verdict = body.verdict === "confirm" && differs ? "correct" : body.verdict;
      await this.#stand(await sendRead(this.id, { ...body, version, verdict }, (waiting) => this.#waiting(waiting)), verdict);
    } catch (error) {
      if (error instanceof ApiError && error.status === 409 && error.body?.theirs) {
        this.saving = false;
        await this.#conflict(body, error.body);
        return;
      }
      throw error;
    }
  }

  /** @param {"next"|"previous"} direction */
  async go(direction) {
    const known = direction === "next" ? this.foot?.next : this.foot?.previous;
    const { id } = await api.neighbour(this.id, direction, this.app.filters).catch(() => ({ id: known }));
    if (id) await this.app.go(`#/foot/${id}`);
    else {
      const text = direction === "next" ? "This is the last foot of the list." : "This is the first foot of the list.";
      announce(text);
      banner("end", text, "note", make("button", { type: "button", className: "quiet", textContent: "Put away", onclick: () => banner("end", null) }));
      setTimeout(() => banner("end", null), 4000);
    }
  }

  // --- showing ------------------------------------------------------------------------------------------------

  /** Points changed. */
  #changed() {
    this.measuring?.ask();
    this.refresh();
  }

  /** Bring everything that is shown to what is. */
  refresh() {
    if (this.stopped || !this.foot || !this.verdict) return;
    const { foot, edit } = this;
    const locked = this.#locked();
    const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
    this.badge.textContent = `${sign} ${text}`;
    this.badge.className = `badge ${foot.state}`;
    this.element.classList.toggle("locked", Boolean(locked));
    this.element.dataset.state = foot.state;
    const codes = this.#shownCodes();
    this.list.update(codes.map((code) => {
      const kind = this.#kind(code);
      return { code, bone: this.landmarks.bone(code), sign: SIGNS[kind], words: `${KIND_WORDS[kind]}${edit.unsaved(code) ? " (unsaved)" : ""}` };
    }), this.selected);
    const chosen = this.selected;
    this.card.update(chosen ? {
      code: chosen,
      text: this.landmarks.text(chosen),
      where: this.#where(chosen),
      visible: edit.state(chosen).visible,
      placed: edit.place(chosen) !== null,
      atModel: edit.atModel(chosen),
    } : null, this.placing ? (this.guided ? { count: this.#count(), of: this.total } : "one") : null, Boolean(locked));
    this.stage.element.classList.toggle("placing", this.placing !== null);
    if (!this.blind) this.numbers.update(this.measured, this.before, this.other?.values ?? this.#otherValues());
    const unsaved = edit.unsavedCodes.length;
    const last = foot.history.at(-1);
    const missing = this.blind ? this.#missing().length : 0;
    this.verdict.update({
      state: foot.state,
      lastRead: last ? { reader: last.reader, when: last.when } : null,
      unsaved,
      corrected: unsaved > 0 || this.construction !== foot.construction || (!foot.foot && this.side !== ""),
      construction: this.construction !== foot.construction ? this.session.constructions.find((one) => one.name === this.construction)?.title ?? null : null,
      locked: this.claim?.other ? `${this.claim.other} is working on this foot.` : null,
      saving: this.saving,
      blind: this.blind,
      unplaced: missing,
    });
    this.#updateTools();
    this.stage.draw();
  }

  #otherValues() {
    return this.other ? Object.fromEntries(this.other.measured.measures.map((one) => [one.name, one])) : null;
  }

  /** @param {string} code */
  #where(code) {
    const place = this.edit.place(code);
    if (!place) return "not placed yet";
    const given = this.edit.given.get(code);
    const sure = !this.edit.state(code).moved && typeof given?.confidence === "number" ? ` · model ${Math.round(given.confidence * 100)} % sure` : "";
    return `x ${place.x.toFixed(2)}, y ${place.y.toFixed(2)}${sure}`;
  }

  #updateTools() {
    const { edit, stage } = this;
    if (!edit || !this.tools) return;
    this.tools.update({
      canUndo: edit.done.length > 0 && !this.#locked(),
      canRedo: edit.undone.length > 0 && !this.#locked(),
      pressed: { mirror: stage.view.mirrored, allPoints: this.all, labels: this.labels, hide: this.hidden, compare: this.compare !== null, list: this.element.classList.contains("list-open") },
      window: stage.window,
      turn: stage.view.turn,
    });
  }
}

/** What the server compares of a point. @param {any[]} points */
function sent(points) {
  return points.map(({ code, x, y, visible, moved }) => (moved ? [code, Number(x).toFixed(3), Number(y).toFixed(3), visible] : [code, visible]));
}
