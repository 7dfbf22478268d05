/**
 * A film and its halved copies, so that a small view averages all pixels instead of leaving some out.
 *
 * @typedef {{width: number, height: number, pixels: Uint16Array}} Level
 */

const SMALLEST = 256;

/**
 * Level k has pixels of 2^k x 2^k film pixels: film place x lies at (x + 0.5) / 2^k - 0.5.
 *
 * @param {Uint16Array} pixels
 * @param {number} width
 * @param {number} height
 * @returns {Level[]}
 */
export function halvedLevels(pixels, width, height) {
  const levels = [{ width, height, pixels }];
  let last = levels[0];
  while (Math.max(last.width, last.height) > SMALLEST && Math.min(last.width, last.height) > 1) {
    last = halve(last);
    levels.push(last);
  }
  return levels;
}

/** @param {Level} level @returns {Level} */
function halve({ width, height, pixels }) {
  const [columns, rows] = [width >> 1, height >> 1];
  const half = new Uint16Array(columns * rows);
  for (let row = 0, to = 0; row < rows; row++) {
    for (let column = 0, from = 2 * row * width; column < columns; column++, from += 2, to++) {
      half[to] = (pixels[from] + pixels[from + 1] + pixels[from + width] + pixels[from + width + 1] + 2) >> 2;
    }
  }
  return { width: columns, height: rows, pixels: half };
}
