/** What a screen reader is told without moving the focus. */

/** Waits longer than this are for what follows many times in a row, such as numbers while a point moves, ms. */
const SOON = 100;

/** @type {Record<string, number>} what is to be said at once, and what waits, do not take each other's place */
const timers = {};

/** @param {string} text @param {number} [wait] ms; a later text of the same haste takes its place within it */
export function announce(text, wait = 50) {
  const haste = wait > SOON ? "patient" : "soon";
  clearTimeout(timers[haste]);
  timers[haste] = window.setTimeout(() => {
    const region = document.getElementById("announcer");
    if (region) region.textContent = text;
  }, wait);
}
