import { make } from "./dom.js";

/** Steps of the arrows on the card, film pixels. */
const STEPS = [0.05, 0.25, 1, 20];
const GUIDES = { asking: "Switch guide lines off", set: "Set guide lines anew", off: "With guide lines" };

/**
 * The chosen point: what it is, where it stands, and all that can be done to it without dragging.
 *
 * @typedef {{code: string, name: string, text: string, where: string, visible: boolean, placed: boolean, atModel: boolean,
 *   guide: "asking"|"set"|"off"|null, end: string|null}} Chosen `guide`: guide lines of its bone; `end`: what is to be
 *   clicked for them before the point itself
 */
export class PointCard {
  /** @param {import("./point_tools.js").PointTools} tools */
  constructor(tools) {
    this.title = make("span", { className: "code" });
    this.text = make("span", { className: "find" });
    this.where = make("span", { className: "where" });
    const button = (/** @type {string} */ text, /** @type {() => void} */ does) => make("button", { type: "button", textContent: text, onclick: does });
    this.placing = button("Place by a click", () => tools.place());
    this.guide = button("Place one after the other", () => tools.guide());
    this.visible = button("Not visible", () => tools.toggleVisible());
    this.reset = button("Back to model", () => tools.reset());
    this.skip = button("Skip", () => tools.skip());
    this.stop = button("Stop placing", () => tools.stop());
    this.guides = button("", () => tools.toggleGuides());
    this.step = make("select", { "aria-label": "Step of the arrows, film pixels" },
      ...STEPS.map((step) => make("option", { value: String(step), textContent: `${step} pixels`, selected: step === 0.25 })));
    const arrow = (/** @type {string} */ sign, /** @type {string} */ way, /** @type {number} */ dx, /** @type {number} */ dy) =>
      make("button", { type: "button", className: "arrow", textContent: sign, "aria-label": `Move the point ${way}`,
        onclick: () => tools.nudge(dx * Number(this.step.value), dy * Number(this.step.value), "card") });
    this.arrows = make("div", { className: "arrows", role: "group", "aria-label": "Move the chosen point" },
      arrow("←", "left", -1, 0), arrow("↑", "up", 0, -1), arrow("↓", "down", 0, 1), arrow("→", "right", 1, 0), this.step);
    this.buttons = make("div", { className: "buttons" }, this.guide, this.placing, this.visible, this.reset, this.skip, this.guides, this.stop);
    this.element = make("section", { className: "point-card", "aria-label": "Chosen point" },
      make("p", { className: "what" }, this.title, " ", this.text, " ", this.where), make("div", { className: "deeds" }, this.buttons, this.arrows));
  }

  /**
   * @param {Chosen|null} chosen
   * @param {{count: number, of: number}|"one"|null} placing how far a guided placement is, or placement of one point
   * @param {boolean} locked nothing can be changed
   * @param {number} missing needed points that have no place
   */
  update(chosen, placing, locked, missing) {
    const guided = placing !== null && placing !== "one";
    this.element.classList.toggle("placing", placing !== null);
    const end = guided ? chosen?.end ?? null : null;
    this.element.dataset.code = chosen?.code ?? "";
    this.element.dataset.asks = end ? "end" : placing ? "point" : "";
    this.title.textContent = !chosen ? "No point chosen" : end ? "Guide lines at 30 and 70 %" : placing ? `${guided ? `Point ${placing.count} of ${placing.of}` : "Place"}: ${chosen.name}` : chosen.name;
    this.text.textContent = chosen ? (end ? `Click ${end}.` : placing ? `Click on the film: ${chosen.text}.` : `${chosen.text[0]?.toUpperCase() ?? ""}${chosen.text.slice(1)}.`)
      : locked ? "Choose one on the film or in the list to see what it is." : "Choose one on the film or in the list, then drag it, use the arrow keys, or place it by a click.";
    this.where.textContent = placing || !chosen ? "" : `${chosen.where} · ${chosen.code}`;
    this.guide.hidden = placing !== null || locked || missing === 0;
    this.placing.hidden = !chosen || placing !== null || locked;
    this.visible.hidden = !chosen || locked || end !== null || (placing !== null && !guided);
    this.visible.textContent = chosen && !chosen.visible && !placing ? "Is visible" : "Not visible";
    this.visible.disabled = Boolean(chosen && !chosen.placed && !placing);
    this.reset.hidden = !chosen || placing !== null || locked;
    this.reset.disabled = Boolean(chosen?.atModel);
    this.skip.hidden = !guided;
    this.skip.textContent = end ? "Skip this bone's guide lines" : "Skip";
    const guide = guided ? chosen?.guide ?? null : null;
    this.guides.hidden = guide === null;
    this.guides.textContent = guide === null ? "" : GUIDES[guide];
    this.stop.hidden = placing === null;
    this.arrows.hidden = !chosen?.placed || placing !== null || locked;
  }
}
