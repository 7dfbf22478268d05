import { home } from "./compare.js";
import { toesDirection } from "./orientation.js";

/** @typedef {import("./types.js").Foot} Foot @typedef {import("./types.js").Place} Place */

/**
 * Beyond the outermost points, as shares of their extent along the foot. The last landmark is the middle of the tuft of
 * the great toe; its skin, and a longer second toe, reach further: of 40 generated feet by 3 % in the middle and by 13 %
 * at most. The crop of the landmark network leaves 14 % there (`anchors` of reading.yaml).
 */
const BEYOND = { distal: 0.15, proximal: 0.03, across: 0.06 };

/**
 * What "Fit" shows of a film: the foot's points with the tips of its toes, or the outline of the foot.
 *
 * @param {Foot} foot
 * @returns {Place[]} film pixels; empty where neither is known
 */
export function fitArea(foot) {
  const around = home(foot);
  const toes = toesDirection(foot);
  const placed = foot.points.filter((point) => point.x !== null && point.visible).length > 2;
  if (!placed || !toes) return around;
  const { aspect, rows, columns } = foot;
  const along = around.map(({ x, y }) => x * toes.x + y * aspect * toes.y);
  const across = around.map(({ x, y }) => -x * toes.y + y * aspect * toes.x);
  const length = Math.max(...along) - Math.min(...along);
  const ends = [Math.min(...along) - BEYOND.proximal * length, Math.max(...along) + BEYOND.distal * length];
  const sides = [Math.min(...across) - BEYOND.across * length, Math.max(...across) + BEYOND.across * length];
  return ends.flatMap((u) => sides.map((v) => ({
    x: Math.min(Math.max(u * toes.x - v * toes.y, 0), columns - 1),
    y: Math.min(Math.max((u * toes.y + v * toes.x) / aspect, 0), rows - 1),
  })));
}
