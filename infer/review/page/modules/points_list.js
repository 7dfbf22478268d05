import { boneName } from "./bones.js";
import { make } from "./dom.js";

/**
 * The points of a foot as a list beside the film, grouped by bone: what the canvas shows, for keys and screen readers.
 *
 * @typedef {{code: string, name: string, sign: string, words: string, bone: string}} ListedPoint
 */

export class PointsList {
  /** @param {(code: string, byKey: boolean) => void} chosen */
  constructor(chosen) {
    this.chosen = chosen;
    this.list = make("div", { className: "points-list", role: "listbox", tabIndex: 0, "aria-label": "Points" });
    /** @type {Map<string, {option: any, sign: any, words: any}>} */
    this.options = new Map();
    this.list.addEventListener("click", (/** @type {Event} */ event) => {
      const option = /** @type {HTMLElement|null} */ (/** @type {HTMLElement} */ (event.target).closest("[role=option]"));
      if (option) this.chosen(/** @type {string} */ (option.dataset.code), false);
    });
    this.list.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
      const codes = [...this.options.keys()];
      const at = codes.indexOf(this.selected ?? "");
      const to = { ArrowDown: at + 1, ArrowUp: at < 0 ? codes.length - 1 : at - 1, Home: 0, End: codes.length - 1 }[event.key];
      if (to === undefined || event.altKey || event.ctrlKey || event.shiftKey) return;
      event.preventDefault();
      if (to >= 0 && to < codes.length) this.chosen(codes[to], true);
    });
    /** @type {string|null} */
    this.selected = null;
    this.shown = "";
  }

  /** @param {ListedPoint[]} points @param {string|null} selected */
  update(points, selected) {
    const codes = points.map((point) => point.code).join(" ");
    if (codes !== this.shown) this.#build(points);
    this.shown = codes;
    for (const { code, sign, words } of points) {
      const row = /** @type {any} */ (this.options.get(code));
      if (row.sign.textContent !== sign) row.sign.textContent = sign;
      if (row.words.textContent !== words) row.words.textContent = words;
    }
    if (selected !== this.selected) {
      this.options.get(this.selected ?? "")?.option.setAttribute("aria-selected", "false");
      const option = this.options.get(selected ?? "")?.option;
      option?.setAttribute("aria-selected", "true");
      option?.scrollIntoView({ block: "nearest" });
      if (option) this.list.setAttribute("aria-activedescendant", option.id);
      else this.list.removeAttribute("aria-activedescendant");
      this.selected = selected;
    }
  }

  /** @param {ListedPoint[]} points */
  #build(points) {
    this.options.clear();
    this.selected = null;
    this.list.removeAttribute("aria-activedescendant");
    /** @type {Map<string, any>} */
    const bones = new Map();
    for (const { code, name, bone } of points) {
      if (!bones.has(bone)) {
        bones.set(bone, make("div", { role: "group", "aria-label": boneName(bone) },
          make("p", { className: "bone", role: "presentation", textContent: boneName(bone) })));
      }
      const sign = make("span", { className: "sign", "aria-hidden": "true" });
      const words = make("span", { className: "words" });
      const option = make("div", { role: "option", id: `point-${code}`, "aria-selected": "false", data: { code } },
        sign, make("span", { className: "name", textContent: name }), " ", words);
      bones.get(bone).append(option);
    }
    this.list.replaceChildren(...bones.values());
    // In the order in which they stand in the list, which arrows follow.
    for (const option of this.list.querySelectorAll("[role=option]")) {
      this.options.set(option.dataset.code, { option, sign: option.children[0], words: option.children[2] });
    }
  }

  /** @returns {string[]} codes in the order of the list */
  get codes() {
    return [...this.options.keys()];
  }
}
