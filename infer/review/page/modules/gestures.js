/**
 * What pointers do on the stage: drag a point or the film, pinch, window with the right button, click, double click.
 *
 * @typedef {import("./types.js").Place} Place
 * @typedef {{
 *   view: import("./film_view.js").FilmView,
 *   pointAt: (at: Place, reach: number) => string|null,
 *   mayDrag: () => boolean,
 *   windowTool: () => boolean,
 *   grab: (code: string) => void,
 *   drag: (dx: number, dy: number) => void,
 *   drop: () => void,
 *   click: (at: Place, code: string|null) => void,
 *   doubleClick: (at: Place) => void,
 *   hover: (at: Place|null) => void,
 *   window: (dx: number, dy: number) => void,
 * }} Stage
 */

/** Pointer travel that makes a drag of a press, CSS pixels: a click must never move a point. */
const TRAVEL = { mouse: 3, touch: 9, pen: 4 };
/** How near a press must be to a point to take it. */
const REACH = { mouse: 13, touch: 26, pen: 15 };
/** Two clicks are one double click within this time, ms, and this way, CSS pixels. */
const TWICE = { time: 350, way: 24 };
/** Part of the pointer's way that a point takes while Shift is held. */
const FINE = 0.2;

/** @param {HTMLElement} element @param {Stage} stage @returns {() => void} ends a drag under way */
export function followPointers(element, stage) {
  /** @type {Map<number, Place>} */
  const down = new Map();
  /** @type {"none"|"press"|"point"|"pan"|"window"|"pinch"} */
  let mode = "none";
  let start = { x: 0, y: 0 };
  /** @type {string|null} */
  let code = null;

  const at = (/** @type {PointerEvent|WheelEvent} */ event) => {
    const box = element.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };
  const kind = (/** @type {PointerEvent} */ event) => /** @type {"mouse"|"touch"|"pen"} */ (event.pointerType in TRAVEL ? event.pointerType : "mouse");
  let last = { x: NaN, y: NaN, time: 0 };
  const click = (/** @type {Place} */ place, /** @type {number} */ time) => {
    const twice = time - last.time < TWICE.time && Math.hypot(place.x - last.x, place.y - last.y) < TWICE.way;
    stage.click(place, code);
    if (twice) stage.doubleClick(place);
    last = { ...place, time: twice ? 0 : time };
  };
  const end = () => {
    if (mode === "point") stage.drop();
    mode = "none";
  };

  element.addEventListener("pointerdown", (event) => {
    if (/** @type {HTMLElement} */ (event.target).closest("button, a, input")) return;
    element.setPointerCapture(event.pointerId);
    element.focus({ preventScroll: true });
    const place = at(event);
    down.set(event.pointerId, place);
    if (down.size === 2) {
      end();
      mode = "pinch";
      return;
    }
    if (down.size > 2) return;
    start = place;
    code = event.button === 0 ? stage.pointAt(place, REACH[kind(event)]) : null;
    mode = event.button === 2 || (event.button === 0 && stage.windowTool()) ? "window" : event.button === 1 ? "pan" : "press";
    event.preventDefault();
  });

  element.addEventListener("pointermove", (event) => {
    const last = down.get(event.pointerId);
    const place = at(event);
    if (!last) {
      stage.hover(event.pointerType === "touch" ? null : place);
      return;
    }
    if (mode === "pinch") {
      pinch(event.pointerId, place);
      return;
    }
    if (mode === "press") {
      if (Math.hypot(place.x - start.x, place.y - start.y) < TRAVEL[kind(event)]) return;
      mode = code !== null && stage.mayDrag() ? "point" : "pan";
      if (mode === "point") stage.grab(/** @type {string} */ (code));
    }
    const [dx, dy] = [place.x - last.x, place.y - last.y];
    down.set(event.pointerId, place);
    if (mode === "point") {
      const part = event.shiftKey ? FINE : 1;
      stage.drag(dx * part, dy * part);
    } else if (mode === "pan") stage.view.pan(dx, dy);
    else if (mode === "window") stage.window(dx, dy);
  });

  const up = (/** @type {PointerEvent} */ event) => {
    if (!down.delete(event.pointerId)) return;
    if (mode === "press" && event.type === "pointerup") click(at(event), event.timeStamp);
    if (mode === "pinch" && down.size === 1) {
      mode = "pan";
      return;
    }
    if (!down.size) end();
  };
  element.addEventListener("pointerup", up);
  element.addEventListener("pointercancel", up);
  element.addEventListener("pointerleave", () => stage.hover(null));
  element.addEventListener("contextmenu", (event) => event.preventDefault());
  element.addEventListener("wheel", (event) => {
    event.preventDefault();
    const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 16 : 1;
    stage.view.zoom(Math.exp(-Math.max(-120, Math.min(120, event.deltaY * lines)) * (event.ctrlKey ? 0.01 : 0.0022)), at(event));
  }, { passive: false });

  /** @param {number} moved @param {Place} place */
  function pinch(moved, place) {
    const other = [...down].find(([id]) => id !== moved)?.[1];
    const last = down.get(moved);
    if (!other || !last) return;
    down.set(moved, place);
    const [before, after] = [Math.hypot(last.x - other.x, last.y - other.y), Math.hypot(place.x - other.x, place.y - other.y)];
    stage.view.pan((place.x - last.x) / 2, (place.y - last.y) / 2);
    if (before > 1) stage.view.zoom(after / before, { x: (place.x + other.x) / 2, y: (place.y + other.y) / 2 });
  }

  return end;
}
