/** What a screen reader is told without moving the focus. */

/** @type {number|undefined} */
let timer;

/** @param {string} text @param {number} [wait] ms; a later text within it takes its place */
export function announce(text, wait = 50) {
  clearTimeout(timer);
  timer = window.setTimeout(() => {
    const region = document.getElementById("announcer");
    if (region) region.textContent = text;
  }, wait);
}
