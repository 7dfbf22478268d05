import { announce } from "./announcer.js";

/** Says at the top of every page what was saved last, and when; it stays until the next save. */

/** @param {string} what "spring/cook.dcm, right foot: confirmed" @param {string} when ISO time, as the server has it */
export function saySaved(what, when) {
  const date = new Date(when);
  const time = Number.isNaN(date.getTime()) ? when : date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const place = /** @type {HTMLElement} */ (document.getElementById("saved"));
  place.textContent = `✓ Saved at ${time}: ${what}`;
  place.hidden = false;
  // Anew for every save, so that two in a row are seen as two.
  place.classList.remove("fresh");
  void place.offsetWidth;
  place.classList.add("fresh");
  announce(`Saved: ${what}`);
}
