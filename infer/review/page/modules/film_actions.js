import { adjusted } from "./grey_window.js";

/**
 * What the buttons above the film and the keys of a foot do.
 *
 * @typedef {import("./film_page.js").FilmPage} FilmPage
 */

/** Arrow steps, film pixels, by the key held. */
const STEP = { plain: 0.25, Shift: 1, Alt: 0.05, Control: 20 };
/** @type {Record<string, [number, number]>} */
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** What the buttons above the film do; keys do the same. @param {FilmPage} page */
export function filmActions(page) {
  const { session, stage: { view }, points, picture } = page;
  const toggle = (/** @type {"all"|"labels"|"hidden"} */ name) => () => {
    picture[name] = !picture[name];
    session.changed();
  };
  return {
    undo: () => points.shift("undo"),
    redo: () => points.shift("redo"),
    zoomIn: () => view.zoom(1.25),
    zoomOut: () => view.zoom(0.8),
    fit: () => view.fit(),
    fitFilm: () => view.fit(true),
    oneToOne: () => view.oneToOne(),
    turnLeft: () => view.rotate(-90),
    turnRight: () => view.rotate(90),
    tiltLeft: () => view.rotate(-5),
    tiltRight: () => view.rotate(5),
    mirror: () => view.mirror(),
    turnOver: () => page.orientation.change(),
    print: () => window.print(),
    resetView: () => page.film.reset(),
    allPoints: toggle("all"),
    labels: toggle("labels"),
    hide: toggle("hidden"),
    compare: () => void page.toggleCompare(),
    list: () => page.toggleList(),
  };
}

/** @param {FilmPage} page @returns {Record<string, (event: KeyboardEvent) => boolean|void>} */
export function filmKeys(page) {
  const { session, stage, points, deciding } = page;
  const decide = (/** @type {import("./verdict_machine.js").Verdict|null} */ verdict) => {
    if (verdict) void deciding.decide(verdict);
  };
  const grey = (/** @type {number} */ brighter, /** @type {number} */ harder) => () => page.film.setWindow(adjusted(stage.window, brighter, harder));
  return {
    ...filmActions(page),
    confirm: () => decide(session.machine.main),
    next: () => void page.go("next"),
    previous: () => void page.go("previous"),
    notMeasurable: () => decide("cannot_be_measured"),
    note: () => page.verdict.note.focus(),
    escape: () => page.escape(),
    nextPoint: () => points.step(page.list.codes, 1, () => true),
    previousPoint: () => points.step(page.list.codes, -1, () => true),
    nextDoubtful: () => points.step(page.list.codes, 1, (code) => ["doubtful", "none"].includes(session.kind(code))),
    zoomToPoint: () => points.zoom(),
    nudge: (event) => {
      if (/** @type {HTMLElement} */ (event.target).closest("[role=toolbar], [role=listbox]")) return false;
      const held = event.ctrlKey || event.metaKey ? "Control" : event.altKey ? "Alt" : event.shiftKey ? "Shift" : "plain";
      const [dx, dy] = ARROWS[event.key];
      points.nudge(dx * STEP[held], dy * STEP[held], "key");
      return true;
    },
    place: () => points.place(),
    placeMiddle: () => {
      if (!points.placing.active || !points.free) return false;
      points.placeAt(stage.view.toFilm(stage.view.centre));
      return true;
    },
    skip: () => (points.placing.guided ? points.skip() : false),
    guides: () => (points.placing.guided ? points.toggleGuides() : false),
    visible: () => points.toggleVisible(),
    resetPoint: () => points.reset(),
    brighter: grey(0.05, 0),
    darker: grey(-0.05, 0),
    harder: grey(0, 0.08),
    softer: grey(0, -0.08),
    invert: () => page.film.setWindow({ ...stage.window, inverted: !stage.window.inverted }),
  };
}
