import { drawnEnds, onScreen, path, segments } from "./axis_lines.js";
import { axisBone, boneColour } from "./bones.js";
import { makeSvg } from "./dom.js";
import { FAR, LabelPlaces, crosses, leaderEnd, overlap } from "./label_places.js";
import { SHAPES } from "./point_shapes.js";
import { say } from "./say.js";

/**
 * What is written on the film: angles at their arcs, names of points, a legend of the lines.
 *
 * @typedef {import("./film_view.js").FilmView} FilmView
 * @typedef {import("./types.js").Place} Place
 * @typedef {import("./label_places.js").Box} Box
 * @typedef {import("./label_places.js").Segment} Segment
 * @typedef {import("./overlay.js").DrawnPoint} DrawnPoint
 * @typedef {import("./overlay.js").Drawing} Drawing
 * @typedef {{text: string, colour?: string, kind?: keyof typeof SHAPES}} Row of the legend: a line or a sign
 */

/** Room that a point takes from labels, radius. */
const POINT = 9;
const ANGLE = { height: 24, pad: 7, font: 14 };
const NAME = { height: 17, pad: 3, font: 12 };
const LEGEND = { line: 17, pad: 7, mark: 24, font: 12, edge: 8, gap: 8, most: 0.6 };
const KINDS = { doubtful: say("mark_doubtful"), moved: say("mark_moved"), hidden: say("mark_hidden") };

export class FilmWords {
  /** @param {SVGGElement} arcs layer below the axes @param {SVGGElement} labels layer above everything */
  constructor(arcs, labels) {
    this.arcs = arcs;
    this.labels = labels;
    this.places = new LabelPlaces();
    /** Corner that the legend took last. */
    this.corner = 0;
  }

  /** @param {FilmView} view @param {Drawing} drawing */
  render(view, { points, axes, selected, labels, arcs, pending, legend, reserved = [] }) {
    const axisLines = axes.map((axis) => onScreen(view, axis));
    const drawn = arcs?.(axisLines) ?? [];
    this.arcs.replaceChildren(...drawn.flatMap(({ arc, start }) => [
      makeSvg("path", { class: "halo", d: path(arc) }), makeSvg("path", { class: "arc", d: path(arc) }), makeSvg("path", { class: "runs-on", d: path([start, arc[0]]) })]));
    const at = points.map((point) => ({ ...point, at: view.toScreen(point.place), radius: POINT }));
    const lines = [...axisLines.flatMap((axis) => segments(drawnEnds(axis))), ...drawn.flatMap(({ arc }) => segments(arc))];
    const boxes = [...reserved];
    const rows = legend ? legendRows(axes, points) : [];
    const corner = rows.length ? this.#corner(view, rows, at, lines, reserved) : null;
    if (corner) boxes.push(corner);
    const wanted = [
      ...drawn.map(({ measure, text, arc }) => ({ key: `angle ${measure}`, text, at: [arc[arc.length - 1], arc[0]], way: direction(arc[0], arc[arc.length - 1]), ...size(text, ANGLE), near: 10, must: true })),
      ...at.filter((point) => point.name && (labels || point.code === selected)).sort((a, b) => Number(b.code === selected) - Number(a.code === selected))
        .map(({ code, name = "", at: place }) => ({ key: `name ${code}`, text: name, at: [place], way: direction(nearestAxis(axisLines, place), place), ...size(name, NAME), near: POINT + 5, must: code === selected })),
    ].filter(({ at: places }) => places.some(({ x, y }) => x > 0 && y > 0 && x < view.width && y < view.height));
    const placed = this.places.place(wanted, { points: at, lines, boxes, width: view.width, height: view.height });
    const parts = [];
    for (const { key, text } of wanted) {
      const found = placed.get(key);
      if (!found) continue;
      const { box, at: place } = found;
      const [kind, what] = key.split(" ");
      const { pad, font } = kind === "angle" ? ANGLE : NAME;
      const near = leaderEnd(box, place);
      const far = Math.hypot(near.x - place.x, near.y - place.y) > FAR;
      parts.push(makeSvg("g", { class: pending && kind === "angle" ? "angle pending" : kind, [`data-${kind}`]: what },
        ...(far ? [makeSvg("path", { class: "leader", d: path([place, near]) })] : []),
        makeSvg("rect", { x: box.x, y: box.y, width: box.width, height: box.height, rx: 5 }),
        makeSvg("text", { x: box.x + pad, y: box.y + box.height / 2 + font * 0.36, "font-size": font }, text)));
    }
    this.labels.replaceChildren(...(corner ? [drawnLegend(corner, rows)] : []), ...parts);
  }

  /**
   * Where the legend hides nothing: the corner that it had, if it is still free; null where all are taken.
   *
   * @param {FilmView} view
   * @param {Row[]} rows
   * @param {{at: Place, radius: number}[]} points
   * @param {Segment[]} lines
   * @param {Box[]} reserved
   * @returns {Box|null}
   */
  #corner(view, rows, points, lines, reserved) {
    const width = 2 * LEGEND.pad + LEGEND.mark + LEGEND.gap + Math.max(...rows.map(({ text }) => textWidth(text, LEGEND.font)));
    const height = 2 * LEGEND.pad + rows.length * LEGEND.line;
    if (width > LEGEND.most * view.width || height > LEGEND.most * view.height) return null;
    const [right, bottom] = [view.width - width - LEGEND.edge, view.height - height - LEGEND.edge];
    const above = Math.min(bottom, ...reserved.filter((box) => box.x < LEGEND.edge + width).map((box) => box.y - height - LEGEND.gap));
    const corners = [[LEGEND.edge, above], [right, bottom], [LEGEND.edge, LEGEND.edge], [right, LEGEND.edge]].map(([x, y]) => ({ x, y, width, height }));
    const free = (/** @type {Box} */ box) => box.y > 0 && !points.some(({ at, radius }) => overlap(box, { x: at.x - radius, y: at.y - radius, width: 2 * radius, height: 2 * radius }))
      && !lines.some((line) => crosses(box, line)) && !reserved.some((other) => overlap(box, other));
    const first = [this.corner, 0, 1, 2, 3].find((k) => free(corners[k]));
    if (first === undefined) return null;
    this.corner = first;
    return corners[first];
  }
}

/** @param {Box} box @param {Row[]} rows */
function drawnLegend(box, rows) {
  return makeSvg("g", { class: "legend" }, makeSvg("rect", { x: box.x, y: box.y, width: box.width, height: box.height, rx: 5 }), ...rows.map(({ text, colour, kind }, k) => {
    const y = box.y + LEGEND.pad + (k + 0.5) * LEGEND.line;
    const x = box.x + LEGEND.pad;
    const mark = kind ? makeSvg("g", { class: `point ${kind}`, transform: `translate(${x + LEGEND.mark / 2} ${y}) scale(0.8)` }, makeSvg("path", { class: "shape", d: SHAPES[kind] }))
      : makeSvg("path", { class: "key", d: `M${x} ${y}h${LEGEND.mark}`, stroke: colour ?? "" });
    return makeSvg("g", { class: "row" }, mark, makeSvg("text", { x: x + LEGEND.mark + LEGEND.gap, y: y + LEGEND.font * 0.36, "font-size": LEGEND.font }, text));
  }));
}

/** @param {import("./types.js").Axis[]} axes @param {DrawnPoint[]} points @returns {Row[]} */
function legendRows(axes, points) {
  const kinds = /** @type {(keyof typeof KINDS)[]} */ (Object.keys(KINDS)).filter((kind) => points.some((point) => point.kind === kind));
  return [...axes.map((axis) => ({ text: axisBone(axis), colour: boneColour(axis.name) })), ...kinds.map((kind) => ({ text: KINDS[kind], kind }))];
}

/** @param {Place} from @param {Place} to radians, y down */
function direction(from, to) {
  return Math.atan2(to.y - from.y, to.x - from.x);
}

/** The middle of the axis that is nearest to a point: its name goes to the other side. @param {import("./arcs.js").Line[]} axes @param {Place} at @returns {Place} */
function nearestAxis(axes, at) {
  let [nearest, least] = [{ x: at.x - 1, y: at.y }, Infinity];
  for (const { from, to } of axes) {
    const [dx, dy] = [to.x - from.x, to.y - from.y];
    const along = Math.min(Math.max(((at.x - from.x) * dx + (at.y - from.y) * dy) / (dx * dx + dy * dy || 1), 0), 1);
    const foot = { x: from.x + along * dx, y: from.y + along * dy };
    const away = Math.hypot(foot.x - at.x, foot.y - at.y);
    if (away > 1 && away < least) [nearest, least] = [foot, away];
  }
  return nearest;
}

/** @param {string} text @param {{height: number, pad: number, font: number}} style */
function size(text, { height, pad, font }) {
  return { width: textWidth(text, font) + 2 * pad, height };
}

/** @type {CanvasRenderingContext2D|null} */
let measuring = null;
/** @type {Map<string, number>} */
const widths = new Map();

/** Width of bold text on the film, pixels. @param {string} text @param {number} size */
function textWidth(text, size) {
  const key = `${size} ${text}`;
  let width = widths.get(key);
  if (width === undefined) {
    measuring ??= /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d"));
    measuring.font = `600 ${size}px system-ui, "Noto Sans", "DejaVu Sans", sans-serif`;
    width = Math.ceil(measuring.measureText(text).width) + 1;
    widths.set(key, width);
  }
  return width;
}
