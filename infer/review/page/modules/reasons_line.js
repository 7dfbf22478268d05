import { make } from "./dom.js";
import { reasonWords } from "./reason_words.js";

/** Reasons and remarks in one line, as far as they fit, that opens to all of them by click, tap or key. */
export class ReasonsLine {
  /** @param {import("./types.js").Said[]} reasons as the run states them */
  constructor(reasons) {
    const words = reasons.map(reasonWords);
    this.panel = make("ul", { className: "reasons-panel", id: "reasons-panel", hidden: true }, ...words.map((text) => make("li", { textContent: text })));
    this.button = make("button", { type: "button", className: "why", "aria-expanded": "false", "aria-controls": "reasons-panel", onclick: () => this.#open(this.panel.hidden) },
      make("span", { className: "fits", textContent: words.join(" · ") }));
    this.element = make("div", { className: "reasons" }, this.button, this.panel);
    this.element.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
      if (event.key !== "Escape" || this.panel.hidden) return;
      event.stopPropagation();
      this.#open(false);
      this.button.focus();
    });
  }

  /** @param {boolean} open */
  #open(open) {
    this.panel.hidden = !open;
    this.button.setAttribute("aria-expanded", String(open));
  }
}
