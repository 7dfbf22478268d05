import { drawnEnds, onScreen, path } from "./axis_lines.js";
import { boneColour, pointColour } from "./bones.js";
import { makeSvg } from "./dom.js";
import { FilmWords } from "./film_words.js";
import { SHAPES } from "./point_shapes.js";

/**
 * Points, axes and angles over the film, as vector drawing in screen pixels.
 *
 * @typedef {import("./film_view.js").FilmView} FilmView
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./label_places.js").Box} Box
 * @typedef {{code: string, name?: string, place: Place, kind: "model"|"doubtful"|"moved"|"hidden",
 *   covariance?: [number, number, number]|null}} DrawnPoint
 * @typedef {{points: DrawnPoint[], axes: import("./types.js").Axis[], selected: string|null, labels: boolean,
 *   cross: Place|null, outline: [number, number][]|null, guide?: import("./shaft_guides.js").DrawnGuide|null,
 *   arcs?: (lines: import("./arcs.js").Line[]) => import("./arcs.js").Arc[], pending?: boolean, legend?: boolean, reserved?: Box[], level?: number}} Drawing
 *   `arcs` of axes in screen pixels; `pending`: their numbers are of other points; `reserved`: where something else lies on the film; `level`: share of cases that
 *   the oval of the chosen point holds
 */

const DOT = "M-1.200 0a1.200 1.200 0 1 0 2.400 0a1.200 1.200 0 1 0-2.400 0";

export class Overlay {
  /** @param {SVGSVGElement} svg */
  constructor(svg) {
    this.svg = svg;
    this.layers = Object.fromEntries(["outline", "guides", "arcs", "axes", "marks", "top", "words"].map((name) => [name, makeSvg("g", { class: name })]));
    svg.append(...Object.values(this.layers));
    /** @type {Map<string, any>} */
    this.marks = new Map();
    this.words = new FilmWords(this.layers.arcs, this.layers.words);
  }

  /** @param {FilmView} view @param {Drawing|null} drawing */
  render(view, drawing) {
    this.svg.setAttribute("viewBox", `0 0 ${view.width} ${view.height}`);
    if (!drawing) {
      for (const layer of Object.values(this.layers)) layer.replaceChildren();
      this.marks.clear();
      return;
    }
    this.#axes(view, drawing.axes);
    this.#points(view, drawing);
    this.#outline(view, drawing.outline);
    this.#guide(view, drawing.guide ?? null);
    this.#top(view, drawing);
    this.words.render(view, drawing);
  }

  /** @param {FilmView} view @param {import("./types.js").Axis[]} axes */
  #axes(view, axes) {
    const lines = this.layers.axes;
    while (lines.childElementCount > axes.length) lines.lastElementChild.remove();
    while (lines.childElementCount < axes.length) {
      lines.append(makeSvg("g", {}, makeSvg("path", { class: "halo" }), makeSvg("path", { class: "line" }), makeSvg("path", { class: "ends" })));
    }
    axes.forEach((axis, k) => {
      const { from, to } = onScreen(view, axis);
      const line = path(drawnEnds({ from, to }));
      const group = lines.children[k];
      const [halo, shown, circles] = group.children;
      group.setAttribute("class", `axis ${axisClass(axis.name)}`);
      halo.setAttribute("d", line);
      shown.setAttribute("d", line);
      for (const one of [shown, circles]) one.setAttribute("stroke", boneColour(axis.name));
      circles.setAttribute("d", [from, to].map(({ x, y }) => `M${x - 3} ${y}a3 3 0 1 0 6 0a3 3 0 1 0-6 0`).join(""));
    });
  }

  /** @param {FilmView} view @param {Drawing} drawing */
  #points(view, { points, selected }) {
    const present = new Set(points.map((point) => point.code));
    for (const [code, mark] of this.marks) {
      if (!present.has(code)) {
        mark.remove();
        this.marks.delete(code);
      }
    }
    for (const point of points) {
      let mark = this.marks.get(point.code);
      if (!mark) {
        mark = makeSvg("g", { "data-code": point.code }, makeSvg("path", { class: "halo" }), makeSvg("path", { class: "shape" }),
          makeSvg("path", { class: "dot", d: DOT }));
        mark.style.setProperty("--bone", pointColour(point.code));
        this.marks.set(point.code, mark);
        this.layers.marks.append(mark);
      }
      const { x, y } = view.toScreen(point.place);
      mark.setAttribute("transform", `translate(${x} ${y})`);
      mark.setAttribute("class", `point ${point.kind}${point.code === selected ? " selected" : ""}`);
      mark.children[0].setAttribute("d", SHAPES[point.kind]);
      mark.children[1].setAttribute("d", SHAPES[point.kind]);
    }
  }

  /** @param {FilmView} view @param {[number, number][]|null} outline */
  #outline(view, outline) {
    const layer = this.layers.outline;
    if (!outline) {
      layer.replaceChildren();
      return;
    }
    if (!layer.childElementCount) layer.append(makeSvg("path", { class: "halo" }), makeSvg("path", { class: "line" }));
    const corners = outline.map(([x, y]) => view.toScreen({ x, y })).map(({ x, y }) => `${x} ${y}`);
    for (const path of layer.children) path.setAttribute("d", `M${corners.join("L")}Z`);
  }

  /** @param {FilmView} view @param {Drawing} drawing */
  #top(view, { points, selected, cross, level }) {
    const layer = this.layers.top;
    const chosen = points.find((point) => point.code === selected);
    const parts = [];
    if (chosen) {
      const { x, y } = view.toScreen(chosen.place);
      const ring = "M-22 0h9M13 0h9M0-22v9M0 13v9";
      parts.push(makeSvg("path", { class: "reticle halo", d: ring, transform: `translate(${x} ${y})` }),
        makeSvg("path", { class: "reticle", d: ring, transform: `translate(${x} ${y})` }));
      if (chosen.covariance && level) parts.push(makeSvg("path", { class: "spread", d: oval(view, chosen.place, chosen.covariance, level) }));
    }
    if (cross) {
      const { x, y } = cross;
      const lines = `M${x - 26} ${y}h20M${x + 6} ${y}h20M${x} ${y - 26}v20M${x} ${y + 6}v20`;
      parts.push(makeSvg("path", { class: "reticle halo", d: lines }), makeSvg("path", { class: "reticle", d: lines }));
    }
    layer.replaceChildren(...parts);
  }

  /** Where 30 and 70 % of a bone's length lie. @param {FilmView} view @param {import("./shaft_guides.js").DrawnGuide|null} guide */
  #guide(view, guide) {
    const parts = [];
    const [from, to] = (guide?.ends ?? []).map((end) => view.toScreen(end));
    if (guide && from && to) {
      const [dx, dy] = [to.x - from.x, to.y - from.y];
      const lines = [path([from, to]), ...guide.levels.map((level) => {
        const [x, y] = [from.x + level * dx, from.y + level * dy];
        return path([{ x: x - 0.28 * dy, y: y + 0.28 * dx }, { x: x + 0.28 * dy, y: y - 0.28 * dx }]);
      })].join("");
      parts.push(makeSvg("path", { class: "halo", d: lines }), makeSvg("path", { class: "line", d: lines }));
      for (const level of guide.levels) {
        const sign = dy > 0 ? -1 : 1;
        parts.push(makeSvg("text", { x: from.x + level * dx - sign * 0.3 * dy + 4, y: from.y + level * dy + sign * 0.3 * dx + 4 }, `${Math.round(100 * level)} %`));
      }
    } else if (from) parts.push(makeSvg("path", { class: "line", d: `M${from.x - 6} ${from.y}h12M${from.x} ${from.y - 6}v12` }));
    this.layers.guides.replaceChildren(...parts);
  }
}

/** Standard deviations within which a share of a normal distribution in the plane lies (Rayleigh distribution). @param {number} level 0 to 1 */
export function reach(level) {
  return Math.sqrt(-2 * Math.log1p(-level));
}

/** Outline that holds the true place in a share of cases. @type {(view: FilmView, place: Place, covariance: [number, number, number], level: number) => string} */
function oval(view, place, [xx, xy, yy], level) {
  const far = reach(level);
  const across = Math.sqrt(Math.max(xx, 0));
  const along = across > 0 ? xy / across : 0;
  const rest = Math.sqrt(Math.max(yy - along * along, 0));
  const steps = 36;
  const corners = Array.from({ length: steps }, (_, k) => {
    const angle = (2 * Math.PI * k) / steps;
    const [u, v] = [far * Math.cos(angle), far * Math.sin(angle)];
    const { x, y } = view.toScreen({ x: place.x + across * u, y: place.y + along * u + rest * v });
    return `${x.toFixed(1)} ${y.toFixed(1)}`;
  });
  return `M${corners.join("L")}Z`;
}

/** Colour of an axis by its bone: M1 to M5, PP, PP2 and so on, DP. @param {string} name */
function axisClass(name) {
  return name.toLowerCase().replace(/[^a-z0-9]/g, "");
}

/** The drawn point nearest to a screen place within reach, preferring the selected one. @type {(view: FilmView, points: DrawnPoint[], at: Place, reach: number, selected: string|null) => string|null} */
export function pointAt(view, points, at, reach, selected) {
  let [best, distance] = [/** @type {string|null} */ (null), reach];
  for (const { code, place } of points) {
    const { x, y } = view.toScreen(place);
    const away = Math.hypot(x - at.x, y - at.y) - (code === selected ? 4 : 0);
    if (away < distance) [best, distance] = [code, away];
  }
  return best;
}
