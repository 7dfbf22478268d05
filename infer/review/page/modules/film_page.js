import { announce } from "./announcer.js";
import { arcs } from "./arcs.js";
import { api, ApiError, outOfReach } from "./api.js";
import { banner, note } from "./banners.js";
import { Claim } from "./claim.js";
import { Compare, home } from "./compare.js";
import { Deciding } from "./deciding.js";
import { make, refill } from "./dom.js";
import { FilmTools } from "./film_tools.js";
import { fitArea } from "./fit_area.js";
import { FootEdit } from "./foot_edit.js";
import { followPointers } from "./gestures.js";
import { adjusted, firstWindow } from "./grey_window.js";
import { HistoryPanel } from "./history_panel.js";
import { askImpossible, impossible } from "./impossible.js";
import { listen } from "./keys.js";
import { askBeforeLeaving } from "./leaving.js";
import { Measuring } from "./measuring.js";
import { NumbersPanel } from "./numbers_panel.js";
import { Orientation, turnToToesUp } from "./orientation.js";
import { pointAt } from "./overlay.js";
import { Placing } from "./placing.js";
import { PointCard } from "./point_card.js";
import { PointsList } from "./points_list.js";
import { PrintSheet } from "./print_sheet.js";
import { percent, reasonWords } from "./reason_words.js";
import { ReasonsLine } from "./reasons_line.js";
import { saySaved } from "./saved_note.js";
import { ShaftGuides } from "./shaft_guides.js";
import { askSide } from "./side_dialog.js";
import { Stage } from "./stage.js";
import { VerdictPanel } from "./verdict_panel.js";
import { askTake } from "./withheld_dialog.js";
import { DECISIONS, NUMBERLESS, STATES, VERDICTS, counted, footName } from "./words.js";

/**
 * One foot on its film: look, correct, decide.
 *
 * @typedef {import("./types.js").Foot} Foot
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./grey_window.js").GreyWindow} GreyWindow
 * @typedef {import("./verdict_panel.js").Verdict} Verdict
 */

/** Arrow steps, film pixels, by the key held. */
const STEP = { plain: 0.25, Shift: 1, Alt: 0.05, Control: 20 };
/** @type {Record<string, [number, number]>} */
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
/** What an arrow moves the film by where no point is chosen, CSS pixels. */
const PAN = 48;
/** Least CSS pixels for each film pixel when the view goes to a point. */
const CLOSE = 3;
/** When a film that did not come is asked for again, ms. */
const AGAIN = 2500;
/** How long a note stays that the list has come to its end, ms. */
const END_NOTE = 5000;
const SIGNS = { model: "○", doubtful: "◇", moved: "□", hidden: "✕", none: "·" };
const KIND_WORDS = { model: "", doubtful: "doubtful", moved: "by hand", hidden: "not visible", none: "to place" };

export class FilmPage {
  /** @param {import("./app.js").App} app @param {Foot} foot @param {number} began when the foot was asked for, ms */
  constructor(app, foot, began) {
    this.app = app;
    this.began = began;
    this.session = app.session;
    this.landmarks = app.landmarks;
    this.id = foot.id;
    this.blind = this.session.study !== null;
    this.savedNote = foot.note;
    this.before = Object.fromEntries(foot.measured.measures.map((one) => [one.name, one.value]));
    /** @type {import("./types.js").Measurements|null} null where there are none of these points */
    this.measured = foot.measured;
    /** The numbers shown are of other points: an answer is under way. */
    this.behind = false;
    /** @type {string|null} */
    this.selected = null;
    this.placing = new Placing();
    this.guides = new ShaftGuides(this.landmarks);
    this.all = false;
    this.labels = false;
    this.hidden = false;
    this.stopped = false;
    /** A question before saving is open, or saving is to lead nowhere else. */
    this.asking = false;
    this.leaving = false;
    /** @type {Compare|null} */
    this.compare = null;
    /** @type {Foot|null} */
    this.other = null;
    /** @type {import("./affine.js").Affine|null} before a zoom to a point */
    this.viewBefore = null;
    /** @type {GreyWindow} */
    this.usual = { low: 0, high: 65535, inverted: false };

    this.edit = new FootEdit(foot, this.landmarks.complete(foot.points), this.session, () => {
      this.measuring.ask();
      this.refresh();
    });
    this.measuring = new Measuring(() => this.#toMeasure(), {
      arrived: (measured, took, behind) => this.#arrived(measured, took, behind),
      failed: (error) => this.#measureFailed(error),
      behind: (behind) => {
        this.behind = behind;
        this.#updateNumbers();
      },
    });
    this.deciding = new Deciding(foot.id, this.session, {
      foot: () => app.foot(foot.id),
      saved: (saved, read) => this.#saved(saved, read),
      theirs: (theirs, reader) => this.#takeTheirs(theirs, reader),
      claimed: (reader) => this.#claimed(reader),
      changed: () => this.refresh(),
    });
    this.claim = new Claim(foot.id, this.session.claim_seconds, (other) => this.#claimed(other));

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
      guide: () => {
        this.#guide();
        this.refresh();
      },
      visible: () => this.toggleVisible(),
      reset: () => this.resetPoint(),
      skip: () => this.#skip(),
      stop: () => this.#stopPlacing(),
      guides: () => this.#toggleGuides(),
      nudge: (dx, dy) => this.#nudge(dx, dy, "card"),
    });
    this.numbers = new NumbersPanel(this.session, this.landmarks, {
      construction: (name) => this.edit.change("construction", { construction: name }),
      grading: () => this.measuring.ask(),
      look: (name) => void this.#look(name),
      giveBack: (name) => this.edit.giveBack(name, `${this.#abbreviation(name)} withheld again`),
      point: (code) => this.select(code, true),
    });
    this.verdict = new VerdictPanel(this.session.reasons_not_measurable, (verdict, reason) => this.save(verdict, reason), () => this.refresh(), () => void this.#askSide());
    this.history = new HistoryPanel(this.session);
    this.badge = make("span", { className: "badge" });
    this.title = foot.film ?? `Read ${foot.id} of ${this.session.study?.reads_total ?? ""}`;
    this.heading = make("h1", { tabIndex: -1 });
    this.orientation = new Orientation(foot, this.stage.view);
    this.loading = make("p", { className: "loading", textContent: "Fetching the film…" });
    this.stages = make("div", { className: "stages" }, this.stage.element);
    this.printSheet = new PrintSheet(() => this.#sheet());
    this.element = this.#build();
    this.stopKeys = listen("film", this.#keys());
    this.beforeUnload = (/** @type {BeforeUnloadEvent} */ event) => {
      if (this.#unsaved()) event.preventDefault();
    };
    window.addEventListener("beforeunload", this.beforeUnload);
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

  /** @param {HTMLElement} main */
  async open(main) {
    const { foot } = this;
    refill(main, this.element);
    document.title = `${this.title} – Raysplay review`;
    this.stage.view.open({ rows: foot.rows || 1, columns: foot.columns || 1, aspect: foot.aspect }, fitArea(foot), turnToToesUp(foot));
    if (this.blind && foot.state === "open") this.#guide();
    this.refresh();
    this.heading.focus({ preventScroll: true });
    const claimed = this.claim.take();
    await this.#showFilm();
    await claimed;
    if (!this.stopped) this.app.prefetch(foot.next);
  }

  /** Whether the page may be left; asks if something is unsaved. */
  async leave() {
    if (!this.#unsaved()) return true;
    const { verdict } = this;
    const answer = await askBeforeLeaving({
      points: this.edit.unsavedCodes.length,
      save: verdict.ready ? verdict.mainText.textContent : null,
      lack: this.#locked() ?? verdict.standing.textContent ?? "",
    });
    if (answer !== "save") return answer === "leave";
    this.leaving = true;
    await this.save(/** @type {Verdict} */ (verdict.verdict), null);
    this.leaving = false;
    return !this.#unsaved();
  }

  close() {
    this.stopped = true;
    this.claim.release();
    this.measuring.stop();
    this.stopKeys();
    this.compare?.close();
    this.stage.close();
    this.printSheet.close();
    window.removeEventListener("beforeunload", this.beforeUnload);
    for (const name of ["claim", "waiting", "film", "measure", "overtaken", "end"]) banner(name, null);
  }

  // --- building -----------------------------------------------------------------------------------------------

  #build() {
    const { foot } = this;
    const go = (/** @type {"next"|"previous"} */ direction, /** @type {string} */ text, /** @type {string} */ label) =>
      make("button", { type: "button", textContent: text, "aria-label": label, onclick: () => this.go(direction) });
    const decision = foot.decision ? DECISIONS[foot.decision] : null;
    const remarks = [...(foot.remark ? [{ kind: "", text: foot.remark }] : []), ...(foot.reasons ?? []), ...foot.remarks];
    const read = this.blind ? "read" : "foot";
    this.sideField = make("select", { "aria-label": "Side of the foot", onchange: () => this.edit.change("side", { side: this.sideField.value }) },
      ...[["", "If there is a foot: side?"], ["L", "Left foot"], ["R", "Right foot"]].map(([value, text]) => make("option", { value, textContent: text })));
    const head = make("div", { className: "foot-head" },
      make("a", { href: "#/feet", className: "back", textContent: this.blind ? "Your reads" : "Worklist" }),
      make("div", { className: "who" }, this.heading, foot.foot || !foot.rows ? null : this.sideField, this.badge,
        decision ? make("span", { className: `decision ${foot.decision}`, textContent: `${decision.sign} ${decision.text}` }) : null,
        remarks.length ? new ReasonsLine(remarks).element : null),
      make("div", { className: "way" }, go("previous", "‹ Previous", `Previous ${read}`), go("next", "Next ›", `Next ${read}`)));
    this.verdict.note.value = foot.note;
    this.history.update(foot.history, foot.earlier);
    this.stage.element.append(this.loading, this.orientation.element);
    this.tools.buttons.get("compare").hidden = this.blind;
    this.stage.view.changed = () => {
      this.stage.draw();
      this.compare?.follow();
      this.#updateTools();
    };
    this.#gestures();
    return make("div", { className: "film-page" },
      head,
      make("section", { className: "points", "aria-labelledby": "points-title" },
        make("h2", { id: "points-title", textContent: "Points" }), this.list.list),
      make("section", { className: "middle", "aria-label": "Film" }, this.tools.element, this.stages, this.card.element),
      make("div", { className: "side" },
        make("div", { className: "side-scroll", tabIndex: 0, role: "region", "aria-label": "Numbers, note and history" },
          this.blind ? null : this.numbers.element, this.verdict.noting, this.history.element),
        this.verdict.element));
  }

  async #showFilm() {
    const { foot } = this;
    if (foot.film_notice) banner("film", foot.film_notice);
    try {
      const film = await this.app.films.get(foot.film_id);
      if (this.stopped) return;
      // The run knows no size of files that it did not read, such as copies.
      if (!foot.rows) this.stage.view.open({ rows: film.rows, columns: film.columns, aspect: foot.aspect }, []);
      this.usual = firstWindow(film, home(foot));
      this.stage.window = this.usual;
      this.stage.load(film);
      this.stage.paint();
      this.loading.remove();
      performance.measure("film visible", { start: this.began, end: performance.now() });
      this.element.dataset.film = "visible";
      this.#updateTools();
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      if (this.stopped) return;
      this.loading.textContent = reasonWords({ kind: "", text: error.message });
      if (!outOfReach(error)) {
        banner("film", reasonWords({ kind: "", text: error.message }));
        return;
      }
      await new Promise((resolve) => setTimeout(resolve, AGAIN));
      if (!this.stopped) await this.#showFilm();
    }
  }

  #gestures() {
    const { stage } = this;
    followPointers(stage.element, {
      view: stage.view,
      pointAt: (at, reach) => (this.hidden ? null : pointAt(stage.view, this.#drawnPoints(), at, reach, this.selected)),
      mayDrag: () => !this.#locked() && !this.placing.guided,
      windowTool: () => this.tools.dragWindow,
      grab: (code) => {
        this.#stopPlacing();
        this.select(code);
        stage.element.classList.add("dragging");
      },
      drag: (dx, dy) => {
        const code = /** @type {string} */ (this.selected);
        const place = this.edit.place(code);
        if (!place) return;
        const at = stage.view.toScreen(place);
        const to = this.#within(stage.view.toFilm({ x: at.x + dx, y: at.y + dy }));
        stage.magnified = to;
        this.edit.move(code, to, "drag");
      },
      drop: () => {
        stage.magnified = null;
        stage.element.classList.remove("dragging");
        this.edit.settle();
        this.refresh();
      },
      click: (at, code) => {
        if (this.placing.active && !this.#locked()) this.#placeAt(stage.view.toFilm(at));
        else if (code) this.select(code);
      },
      doubleClick: (at) => {
        if (!this.placing.active) stage.view.centreOn(stage.view.toFilm(at));
      },
      hover: (at) => {
        const lens = this.placing.active && at ? stage.view.toFilm(at) : null;
        if (lens === null && stage.magnified === null) return;
        stage.magnified = lens;
        stage.draw();
      },
      window: (dx, dy) => this.#setWindow(adjusted(stage.window, -dy / 300, dx / 300)),
    });
  }

  /** What the buttons above the film do; keys do the same. */
  #actions() {
    const view = () => this.stage.view;
    const toggle = (/** @type {"all"|"labels"|"hidden"} */ name) => () => {
      this[name] = !this[name];
      this.refresh();
    };
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
      turnOver: () => this.orientation.change(),
      print: () => window.print(),
      resetView: () => {
        view().reset();
        this.#setWindow(this.usual);
      },
      allPoints: toggle("all"),
      labels: toggle("labels"),
      hide: toggle("hidden"),
      compare: () => void this.toggleCompare(),
      list: () => {
        this.element.classList.toggle("list-open");
        this.#updateTools();
      },
    };
  }

  /** @returns {Record<string, (event: KeyboardEvent) => boolean|void>} */
  #keys() {
    return {
      ...this.#actions(),
      confirm: () => this.verdict.confirm(),
      next: () => void this.go("next"),
      previous: () => void this.go("previous"),
      notMeasurable: () => void this.verdict.askReason(),
      note: () => this.verdict.note.focus(),
      escape: () => this.escape(),
      nextPoint: () => this.#step(1, () => true),
      previousPoint: () => this.#step(-1, () => true),
      nextDoubtful: () => this.#step(1, (code) => ["doubtful", "none"].includes(this.#kind(code))),
      zoomToPoint: () => this.zoomToPoint(),
      nudge: (event) => {
        if (/** @type {HTMLElement} */ (event.target).closest("[role=toolbar], [role=listbox]")) return false;
        const held = event.ctrlKey || event.metaKey ? "Control" : event.altKey ? "Alt" : event.shiftKey ? "Shift" : "plain";
        const [dx, dy] = ARROWS[event.key];
        this.#nudge(dx * STEP[held], dy * STEP[held], "key");
        return true;
      },
      place: () => this.place(),
      placeMiddle: () => {
        if (!this.placing.active || this.#locked()) return false;
        this.#placeAt(this.stage.view.toFilm(this.stage.view.centre));
        return true;
      },
      skip: () => (this.placing.guided ? this.#skip() : false),
      guides: () => (this.placing.guided ? this.#toggleGuides() : false),
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
      return [{ code, name: code === this.selected ? this.landmarks.name(code) : this.landmarks.short(code), place, kind, covariance: spread }];
    });
  }

  #drawing() {
    if (this.hidden) return null;
    const axes = this.#axes();
    return {
      points: this.#drawnPoints(),
      axes,
      selected: this.selected,
      labels: this.labels,
      cross: this.placing.active && !this.stage.magnified ? this.stage.view.centre : null,
      outline: this.blind || !axes.length ? this.foot.outline : null,
      guide: this.guides.drawn(this.selected),
      arcs: (/** @type {import("./arcs.js").Line[]} */ lines) => (NUMBERLESS.has(this.foot.state) ? [] : arcs(this.session, this.construction, this.measured?.measures ?? [], lines)),
      pending: this.behind,
      legend: true,
      reserved: [this.orientation.box],
    };
  }

  /** Axes of the points as they lie now: an end is the mean of its landmarks. @returns {import("./types.js").Axis[]} */
  #axes() {
    const end = (/** @type {string[]} */ codes) => {
      const places = codes.map((code) => (this.edit.state(code).visible ? this.edit.place(code) : null));
      const mean = (/** @type {"x"|"y"} */ part) => places.reduce((sum, place) => sum + (place ? place[part] : NaN), 0) / places.length;
      return /** @type {[number, number]} */ ([mean("x"), mean("y")]);
    };
    return (this.session.axes[this.construction] ?? []).map(({ name, title, from, to }) => ({ name, title, from: end(from), to: end(to) }))
      .filter((axis) => [...axis.from, ...axis.to].every(Number.isFinite));
  }

  /** @param {string|null} code @param {boolean} [reveal] */
  select(code, reveal = false) {
    if (this.placing.progress === "one" && code !== this.selected) this.#stopPlacing();
    this.selected = code;
    const place = code && this.edit.place(code);
    if (place && reveal) this.stage.view.reveal(place);
    this.refresh();
    if (code) announce(`${this.landmarks.name(code)}: ${this.landmarks.text(code)}. ${KIND_WORDS[this.#kind(code)]}`);
  }

  /** @param {1|-1} step @param {(code: string) => boolean} fits */
  #step(step, fits) {
    const { codes } = this.list;
    const start = this.selected ? codes.indexOf(this.selected) : step > 0 ? -1 : 0;
    const ahead = codes.map((_, k) => codes[(start + step * (k + 1) + 2 * codes.length) % codes.length]);
    const code = ahead.find(fits);
    if (code) this.select(code, true);
    else announce("There is none");
  }

  /** Close to the chosen point, or back to the view before. */
  zoomToPoint() {
    const { view } = this.stage;
    if (this.viewBefore) {
      view.screenFromFilm = this.viewBefore;
      this.viewBefore = null;
      view.changed(view);
      return;
    }
    const place = this.selected && this.edit.place(this.selected);
    if (!place) return;
    const before = view.screenFromFilm;
    view.centreOn(place, Math.max(view.scale, CLOSE));
    this.viewBefore = before;
  }

  /** @param {number} dx @param {number} dy steps on the screen, in film pixels @param {string} kind */
  #nudge(dx, dy, kind) {
    const { view } = this.stage;
    const place = this.selected && !this.placing.active ? this.edit.place(this.selected) : null;
    if (!place || !this.selected) {
      view.pan(-Math.sign(dx) * PAN, -Math.sign(dy) * PAN);
      return;
    }
    const locked = this.#locked();
    if (locked) {
      announce(locked);
      return;
    }
    const at = view.toScreen(place);
    const to = this.#within(view.toFilm({ x: at.x + dx * view.scale, y: at.y + dy * view.scale }));
    this.edit.move(this.selected, to, kind);
    view.reveal(to);
  }

  /** A place on the film. @param {Place} place */
  #within({ x, y }) {
    const { columns, rows } = this.foot;
    return { x: Math.min(Math.max(x, 0), columns - 1), y: Math.min(Math.max(y, 0), rows - 1) };
  }

  /** Wait for a click that places the chosen point. */
  place() {
    if (!this.selected || this.#locked()) return;
    this.placing.one(this.selected);
    this.refresh();
    announce(`Click where the point belongs: ${this.landmarks.name(this.selected)}, or move the film under the cross and press Space. Escape stops.`);
  }

  /** Lead through all needed points that have no place. */
  #guide() {
    const missing = this.#missing();
    if (missing.length) this.placing.guide(missing, this.landmarks.needed(this.construction).length);
    else this.#stopPlacing();
    this.#sayNext();
  }

  #missing() {
    return this.landmarks.needed(this.construction).filter((code) => this.#kind(code) === "none");
  }

  #sayNext() {
    const { code, progress } = this.placing;
    if (code === null || progress === null || progress === "one") return;
    this.selected = code;
    const end = this.guides.wanted(code);
    announce(end ? `For guide lines, click ${end}, or press S to go on without` : `Point ${progress.count} of ${progress.of}: ${this.landmarks.text(code)}`);
  }

  /** @param {Place} film */
  #placeAt(film) {
    const { code } = this.placing;
    if (code === null) return;
    this.stage.magnified = null;
    if (this.placing.guided && this.guides.wanted(code)) {
      this.guides.set(code, this.#within(film));
      this.#sayNext();
      this.refresh();
      return;
    }
    this.edit.move(code, this.#within(film));
    this.#advance(`Placed: ${this.landmarks.name(code)}`);
  }

  #skip() {
    const { code } = this.placing;
    if (code !== null && this.guides.wanted(code)) this.guides.leave(code);
    else this.placing.skip();
    this.#sayNext();
    this.refresh();
  }

  #toggleGuides() {
    if (this.placing.code !== null) this.guides.toggle(this.placing.code);
    this.#sayNext();
    this.refresh();
  }

  /** The present point is dealt with. @param {string} words */
  #advance(words) {
    if (this.placing.next()) this.#sayNext();
    else {
      this.#stopPlacing();
      announce(this.blind && !this.#missing().length ? "All points are placed. Enter saves the read." : words);
    }
    this.refresh();
  }

  #stopPlacing() {
    this.placing.stop();
    this.stage.magnified = null;
    this.refresh();
  }

  toggleVisible() {
    const code = this.selected;
    if (!code || this.#locked()) return;
    const { visible } = this.edit.state(code);
    this.edit.show(code, !visible);
    const words = `${visible ? "Not visible" : "Visible"}: ${this.landmarks.name(code)}`;
    if (this.placing.code === code && visible) this.#advance(words);
    else announce(words);
  }

  resetPoint() {
    if (!this.selected || this.#locked()) return;
    this.edit.reset([this.selected]);
    announce(`As the model left it: ${this.landmarks.name(this.selected)}`);
  }

  undo() {
    this.#shift("Undone", "undo");
  }

  redo() {
    this.#shift("Done again", "redo");
  }

  /** @param {string} done @param {"undo"|"redo"} way */
  #shift(done, way) {
    if (!this.#mayShift(way)) return;
    const step = this.edit[way](this.#shownWith());
    if (step?.base) this.#lookAt(step.base);
    announce(step ? `${done}: ${this.landmarks.worded(step.words)}` : "There is nothing");
    if (this.blind) this.#guide();
    this.refresh();
  }

  /** What belongs to the read that is looked at, besides its points. */
  #shownWith() {
    return { note: this.verdict.note.value, measured: this.behind ? null : this.measured };
  }

  /** Whether a step can be taken: from one of two reads to the other also where the one that is shown is settled. @param {"undo"|"redo"} way */
  #mayShift(way) {
    if (!this.#locked()) return true;
    return !this.claim.other && !this.deciding.saving && this.edit.switches(way);
  }

  /** One of two reads, whole. @param {import("./foot_edit.js").Base} base */
  #lookAt(base) {
    this.measured = base.measured;
    this.behind = base.measured === null;
    this.savedNote = base.foot.note;
    this.verdict.note.value = base.note;
    this.history.update(base.foot.history);
  }

  escape() {
    if (this.placing.progress === "one") this.#stopPlacing();
    else if (this.element.classList.contains("list-open")) this.element.classList.remove("list-open");
    else if (this.selected && !this.placing.active) this.select(null);
    else this.app.go("#/feet");
  }

  // --- view ---------------------------------------------------------------------------------------------------

  /** @param {GreyWindow} window */
  #setWindow(window) {
    this.stage.window = window;
    this.stage.draw();
    this.#updateTools();
  }

  async toggleCompare() {
    if (this.blind) return;
    const { compare } = this;
    this.element.classList.toggle("comparing", !compare);
    if (compare) {
      compare.close();
      compare.element.remove();
      this.compare = null;
    } else {
      this.compare = new Compare(this.foot, this.session, this.app.films, {
        view: this.stage.view,
        place: (code) => (this.edit.state(code).visible ? this.edit.place(code) : null),
        hidden: () => this.hidden,
        chosen: (other) => {
          this.other = other;
          if (!this.stopped) this.measuring.ask();
          this.refresh();
        },
      });
      this.stages.append(this.compare.element);
    }
    this.refresh();
    await this.compare?.open();
  }

  // --- numbers ------------------------------------------------------------------------------------------------

  /** All points, so that the numbers are of these whatever anybody saved meanwhile. */
  #toMeasure() {
    const { rest } = this.edit;
    return { id: this.id, version: this.foot.version, construction: rest.construction, grading: this.numbers.grading.value, anew: rest.anew,
      ...(rest.side ? { side: rest.side } : {}), ...(this.blind ? {} : { accepted: this.edit.accepted() }),
      ...(this.other ? { compared: this.other.id } : {}), points: this.edit.toSend() };
  }

  /** @param {import("./types.js").Measurements} measured @param {number} took @param {boolean} behind */
  #arrived(measured, took, behind) {
    if (measured.id !== undefined && measured.id !== this.id) return;
    banner("measure", null);
    banner("overtaken", measured.version !== undefined && measured.version > this.foot.version && !this.deciding.saving
      ? "Somebody else saved this foot in the meantime. The numbers are of your own points; when you save, both reads are laid side by side." : null);
    this.measured = measured;
    this.behind = behind;
    this.refresh();
    this.stage.paint();
    performance.measure("angles updated", { start: performance.now() - took, end: performance.now() });
    const { comparison } = measured;
    if (comparison && this.other?.id === comparison.id && this.other.version !== comparison.version) void this.compare?.show(comparison.id);
    if (!this.blind && !this.placing.active && !behind) announce(this.numbers.spoken(measured), 700);
  }

  /** @param {ApiError} error */
  #measureFailed(error) {
    if (outOfReach(error)) return;
    this.measured = null;
    banner("measure", `There are no numbers of these points: ${error.message}`);
    this.refresh();
  }

  #updateNumbers() {
    if (this.blind || this.stopped) return;
    this.numbers.update(this.measured, this.before, { behind: this.behind, locked: Boolean(this.#locked()), construction: this.construction, side: this.side });
  }

  /** @param {string} name */
  #abbreviation(name) {
    return this.session.measures.find((one) => one.name === name)?.abbreviation ?? name;
  }

  /** Show a withheld number, and ask whether it is taken. @param {string} name */
  async #look(name) {
    const measure = this.session.measures.find((one) => one.name === name);
    if (!measure || this.#locked()) return;
    const asked = this.#toMeasure();
    const key = JSON.stringify(asked);
    const found = (await this.#measured({ ...asked, accepted: { ...asked.accepted, [name]: null } }))?.measures.find((one) => one.name === name);
    if (this.stopped || !found || found.value === null || key !== JSON.stringify(this.#toMeasure())) return;
    if (await askTake(this.session, this.landmarks, measure, found) && !this.#locked() && key === JSON.stringify(this.#toMeasure())) {
      this.edit.accept(name, found.value, `${measure.abbreviation} taken`);
    }
  }

  /** An answer besides those for the film's points. @param {any} body @returns {Promise<import("./types.js").Measurements|null>} */
  async #measured(body) {
    try {
      return await api.measure(body, this.measuring.stopped.signal);
    } catch (error) {
      if (!this.stopped && error instanceof ApiError && !outOfReach(error)) banner("measure", error.message);
      return null;
    }
  }

  /** What the foot is called, and whether its points are right. */
  async #askSide() {
    if (this.#locked()) return;
    const points = this.edit.toSend();
    const nowhere = points.map(({ code }) => ({ code, x: null, y: null, visible: true, moved: false }));
    const choice = await askSide(this.session, {
      side: this.side,
      shownAs: this.measured?.shown_as ?? "",
      measured: this.behind ? null : this.measured,
      companions: this.foot.companions ?? [],
    }, async ({ side, anew }) => {
      const answer = await this.#measured({ ...this.#toMeasure(), side, ...(anew ? { anew: true, accepted: {}, points: nowhere } : {}) });
      if (!answer) throw new Error("no answer");
      return answer;
    });
    if (!choice || this.stopped || this.#locked()) return;
    if (choice.anew) this.edit.clear(choice.side, "points to be placed anew");
    else this.edit.change("side", { side: choice.side });
    if (!choice.now) {
      await this.save("wrong_side", null);
      return;
    }
    this.#guide();
    this.refresh();
  }

  // --- deciding -----------------------------------------------------------------------------------------------

  #unsaved() {
    return !this.stopped && (this.edit.unsavedCodes.length > 0 || this.edit.unsavedRest.length > 0 || this.verdict.note.value.trim() !== this.savedNote.trim());
  }

  /** Why nothing can be changed, or null. */
  #locked() {
    if (this.claim.other) return `${this.claim.other} is working on this foot. You can look, but not change it.`;
    if (this.deciding.saving) return "Saving…";
    return this.foot.state === "open" ? null : "Reopen the foot to change it.";
  }

  /** @param {string|null} other */
  #claimed(other) {
    banner("claim", other ? `${other} is working on this foot. You can look, but not change it.` : null, "warning",
      make("button", { type: "button", textContent: "Try to take it", onclick: () => this.claim.take() }));
    this.refresh();
  }

  /** @param {Verdict} verdict @param {string|null} reason */
  async save(verdict, reason) {
    this.#stopPlacing();
    if (this.asking || (["confirm", "correct"].includes(verdict) && !(await this.#sure()))) return;
    const { rest } = this.edit;
    await this.deciding.save({
      version: this.foot.version,
      verdict,
      reason: reason ?? "",
      note: this.verdict.note.value.trim(),
      ...(verdict === "reopen" ? {} : { construction: rest.construction, anew: rest.anew, points: this.edit.toSend(), ...(rest.side ? { side: rest.side } : {}),
        ...(this.blind ? {} : { accepted: this.edit.accepted() }) }),
    });
  }

  /** Whether the angles are possible, or the reader says that they stand. */
  async #sure() {
    this.asking = true;
    try {
      const current = !this.behind && this.measured ? this.measured : await api.measure(this.#toMeasure(), this.measuring.stopped.signal);
      const odd = impossible(this.session, current.measures);
      return !odd.length || await askImpossible(this.session, this.construction, odd);
    } catch (error) {
      if (this.stopped) return false;
      // Out of reach, the read waits for the server; a refusal is told by the attempt to save.
      if (error instanceof ApiError) return true;
      throw error;
    } finally {
      this.asking = false;
    }
  }

  /** @param {{version: number, state: string, when?: string}} saved @param {import("./deciding.js").Read} read */
  async #saved(saved, read) {
    const { verdict } = read;
    const what = this.blind && verdict === "correct" ? "" : this.foot.decision === "refused" && verdict === "confirm" ? ": refusal confirmed" : `: ${VERDICTS[verdict]}`;
    saySaved(`${this.title}${this.side ? `, ${footName(this.side).toLowerCase()}` : ""}${what}`, saved.when ?? new Date().toISOString());
    this.app.progress();
    if (this.stopped) return; // the reader has gone elsewhere meanwhile
    const { foot } = this;
    foot.version = saved.version;
    foot.state = saved.state;
    if (NUMBERLESS.has(saved.state)) this.measured = null;
    this.savedNote = this.verdict.note.value;
    banner("overtaken", null);
    if (verdict !== "reopen") {
      this.edit.markSaved();
      foot.construction = this.construction;
    }
    if (verdict !== "reopen" && this.verdict.goOn.checked && !this.leaving) {
      const { id } = await api.neighbour(this.id, "next", this.app.filters);
      if (this.stopped) return;
      if (id) {
        await this.app.go(`#/foot/${id}`);
        return;
      }
      this.#atEnd(`Saved. This was the last ${this.blind ? "read" : "foot"} of the list.`);
    }
    try {
      this.#stand(await this.app.foot(this.id));
    } catch (error) {
      if (!(error instanceof ApiError)) throw error; // it is saved; what stands is fetched with the next visit
    }
  }

  /** What stands by the server, whole. @param {Foot} foot */
  #stand(foot) {
    if (this.stopped || foot.version < this.foot.version) return;
    this.edit.stand(foot, this.landmarks.complete(foot.points));
    if (!this.edit.unsavedCodes.length && !this.edit.unsavedRest.length) {
      this.measured = foot.measured;
      this.behind = false;
    }
    this.history.update(foot.history, foot.earlier);
    if (this.blind && foot.state === "open") this.#guide();
    this.refresh();
  }

  /** Another reader's read in place of one's own, whole; Undo brings one's own back, whole. @param {Foot} theirs @param {string} reader */
  #takeTheirs(theirs, reader) {
    const base = this.edit.take(theirs, this.landmarks.complete(theirs.points), `read of ${reader}`, this.#shownWith());
    if (base) this.#lookAt(base);
    this.refresh();
  }

  /** @param {"next"|"previous"} direction */
  async go(direction) {
    const { id } = await api.neighbour(this.id, direction, this.app.filters);
    if (this.stopped) return;
    if (id) await this.app.go(`#/foot/${id}`);
    else this.#atEnd(`This is the ${direction === "next" ? "last" : "first"} ${this.blind ? "read" : "foot"} of the list.`);
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
    if (this.stopped) return;
    const { foot, edit, selected } = this;
    const locked = this.#locked();
    const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
    this.badge.textContent = `${sign} ${text}`;
    this.badge.className = `badge ${foot.state}`;
    this.element.dataset.state = foot.state;
    const missing = this.#missing().length;
    this.list.update(this.#shownCodes().map((code) => {
      const kind = this.#kind(code);
      return { code, name: this.landmarks.part(code), bone: this.landmarks.bone(code), sign: SIGNS[kind], words: edit.unsaved(code) ? `${kind === "hidden" ? "not visible, " : ""}unsaved` : KIND_WORDS[kind] };
    }), selected);
    this.card.update(selected ? {
      code: selected,
      name: this.landmarks.name(selected),
      end: this.placing.guided ? this.guides.wanted(selected) : null,
      guide: this.guides.state(selected),
      text: this.landmarks.text(selected),
      where: this.#where(selected),
      visible: edit.state(selected).visible,
      placed: edit.place(selected) !== null,
      atModel: edit.atModel(selected),
    } : null, this.placing.progress, Boolean(locked), foot.rows ? missing : 0);
    this.stage.element.classList.toggle("placing", this.placing.active);
    this.heading.textContent = `${this.title}, ${this.side ? footName(this.side) : "no foot found"}`;
    this.sideField.value = this.side;
    this.#updateNumbers();
    const unsaved = edit.unsavedCodes.length;
    const last = foot.history.at(-1);
    const changed = edit.unsavedRest;
    this.verdict.update({
      state: foot.state,
      lastRead: last ? { reader: last.reader, when: last.when } : null,
      unsaved,
      corrected: unsaved > 0 || edit.needsCorrection,
      changed,
      locked: this.claim.other ? `${this.claim.other} is working on this foot.` : null,
      saving: this.deciding.saving,
      blind: this.blind,
      unplaced: this.blind ? missing : 0,
      // A file without a foot is refused as it is; only numbers need a side.
      sideless: this.side === "" && unsaved > 0,
      refused: foot.decision === "refused",
    });
    this.#updateTools();
    this.stage.draw();
  }

  /** What is printed. @returns {import("./print_sheet.js").Sheet} */
  #sheet() {
    const { foot, session, title, side, construction, measured, stage } = this;
    return {
      foot, session, title, side, construction, measured, film: stage.film, window: stage.window, drawing: this.#drawing(),
      behind: this.behind, unsaved: this.edit.unsavedCodes.length, changed: this.edit.unsavedRest, note: this.verdict.note.value.trim(), reader: session.reader ?? "",
      worded: (text) => this.landmarks.worded(text),
    };
  }

  /** @param {string} code */
  #where(code) {
    const place = this.edit.place(code);
    if (!place) return "not placed yet";
    const given = this.edit.given.get(code);
    const sure = !this.edit.state(code).moved && typeof given?.confidence === "number" ? ` · model ${percent(given.confidence)} sure` : "";
    return `x ${place.x.toFixed(2)}, y ${place.y.toFixed(2)}${sure}`;
  }

  #updateTools() {
    const { edit, stage } = this;
    this.orientation.update();
    this.tools.update({
      canUndo: edit.done.length > 0 && this.#mayShift("undo"),
      canRedo: edit.undone.length > 0 && this.#mayShift("redo"),
      pressed: { mirror: stage.view.mirrored, allPoints: this.all, labels: this.labels, hide: this.hidden, compare: this.compare !== null, list: this.element.classList.contains("list-open") },
      window: stage.window,
      turn: stage.view.turn,
    });
  }
}
