import { make } from "./dom.js";
import { levelAndWidth, windowOf } from "./grey_window.js";

/**
 * The row of buttons above the film.
 *
 * @typedef {{does: string, text: string, label: string, toggle?: boolean}} Tool
 */

/** @type {Tool[][]} */
const TOOLS = [
  [
    { does: "undo", text: "↶", label: "Undo" },
    { does: "redo", text: "↷", label: "Redo" },
  ],
  [
    { does: "zoomOut", text: "−", label: "Further" },
    { does: "zoomIn", text: "+", label: "Closer" },
    { does: "fit", text: "Fit", label: "Fit the foot" },
    { does: "oneToOne", text: "1:1", label: "1:1, one film pixel to one screen pixel" },
  ],
  [
    { does: "turnLeft", text: "⟲", label: "Turn left by 90 degrees" },
    { does: "turnRight", text: "⟳", label: "Turn right by 90 degrees" },
    { does: "mirror", text: "Mirror", label: "Mirror", toggle: true },
  ],
  [
    { does: "allPoints", text: "All points", label: "All points, not only those needed", toggle: true },
    { does: "labels", text: "Names", label: "Names of the points", toggle: true },
    { does: "hide", text: "Hide", label: "Hide points and axes", toggle: true },
    { does: "compare", text: "Compare", label: "Compare with another visit", toggle: true },
    { does: "print", text: "Print", label: "Print this foot" },
  ],
];

export class FilmTools {
  /**
   * @param {Record<string, () => any>} actions
   * @param {{window: (window: import("./grey_window.js").GreyWindow) => void, turn: (degrees: number) => void}} view
   */
  constructor(actions, view) {
    /** @type {Map<string, any>} */
    this.buttons = new Map();
    const groups = TOOLS.map((tools) => make("div", { className: "tools" }, ...tools.map(({ does, text, label, toggle }) => {
      const button = make("button", { type: "button", textContent: text, title: label, onclick: () => actions[does](), data: { does } });
      if (!label.startsWith(text)) button.setAttribute("aria-label", label);
      if (toggle) button.setAttribute("aria-pressed", "false");
      this.buttons.set(does, button);
      return button;
    })));
    const slider = (/** @type {string} */ id, /** @type {number} */ least, /** @type {number} */ most, /** @type {number} */ step) =>
      make("input", { type: "range", id, min: String(least), max: String(most), step: String(step) });
    this.level = slider("level", 0, 65535, 64);
    this.width = slider("width", 256, 65535, 64);
    this.turn = slider("turn", -180, 180, 1);
    this.inverted = make("input", { type: "checkbox", id: "inverted" });
    /** @type {boolean} one finger, or the left button, sets the window */
    this.dragWindow = false;
    this.byDrag = make("input", { type: "checkbox", id: "by-drag", onchange: () => (this.dragWindow = this.byDrag.checked) });
    const tell = () => view.window(windowOf(Number(this.level.value), Number(this.width.value), this.inverted.checked));
    for (const input of [this.level, this.width, this.inverted]) input.addEventListener("input", tell);
    this.turn.addEventListener("input", () => view.turn(Number(this.turn.value)));
    this.panel = make("div", { className: "view-panel", id: "view-panel", role: "group", "aria-label": "Grey values and turn", hidden: true },
      make("label", { for: "level", textContent: "Level" }), this.level,
      make("label", { for: "width", textContent: "Width" }), this.width,
      make("label", { for: "turn", textContent: "Turn" }), this.turn,
      make("p", { className: "check" }, this.inverted, make("label", { for: "inverted", textContent: "Black and white swapped" })),
      make("p", { className: "check" }, this.byDrag, make("label", { for: "by-drag", textContent: "Dragging the film sets grey values" })),
      make("button", { type: "button", textContent: "All as at first", onclick: () => actions.resetView() }));
    this.opener = make("button", { type: "button", textContent: "View ▾", "aria-label": "View: grey values and turn", "aria-expanded": "false", "aria-controls": "view-panel",
      onclick: () => this.#open(this.panel.hidden) });
    this.panel.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
      if (event.key !== "Escape") return;
      event.stopPropagation();
      this.#open(false);
      this.opener.focus();
    });
    groups[2].append(make("div", { className: "opens" }, this.opener, this.panel));
    this.points = make("button", { type: "button", textContent: "List", className: "list-opener", title: "List of points", "aria-label": "List of points", "aria-pressed": "false", onclick: () => actions.list() });
    groups[0].prepend(this.points);
    this.element = make("div", { className: "film-tools", role: "toolbar", "aria-label": "Film" }, ...groups);
    this.element.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => this.#walk(event));
  }

  /**
   * @param {{canUndo: boolean, canRedo: boolean, pressed: Record<string, boolean>, window: import("./grey_window.js").GreyWindow, turn: number}} state
   */
  update({ canUndo, canRedo, pressed, window, turn }) {
    // aria-disabled, not disabled: the focus stays where it is when the last step is undone.
    this.buttons.get("undo").setAttribute("aria-disabled", String(!canUndo));
    this.buttons.get("redo").setAttribute("aria-disabled", String(!canRedo));
    for (const [does, on] of Object.entries(pressed)) (does === "list" ? this.points : this.buttons.get(does)).setAttribute("aria-pressed", String(on));
    const { level, width } = levelAndWidth(window);
    this.level.value = String(Math.round(level));
    this.width.value = String(Math.round(width));
    this.inverted.checked = window.inverted;
    this.turn.value = String(turn > 180 ? turn - 360 : turn);
  }

  /** @param {boolean} open */
  #open(open) {
    this.panel.hidden = !open;
    this.opener.setAttribute("aria-expanded", String(open));
  }

  /** Arrows go from button to button. @param {KeyboardEvent} event */
  #walk(event) {
    if (!["ArrowLeft", "ArrowRight"].includes(event.key) || event.altKey || event.ctrlKey || event.shiftKey) return;
    const buttons = [...this.element.querySelectorAll(".tools > button, .opens > button")];
    const at = buttons.indexOf(document.activeElement);
    if (at < 0) return;
    event.preventDefault();
    /** @type {HTMLElement} */ (buttons[(at + (event.key === "ArrowRight" ? 1 : buttons.length - 1)) % buttons.length]).focus();
  }
}
