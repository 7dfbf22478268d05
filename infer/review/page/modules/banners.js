import { make } from "./dom.js";
import { say } from "./say.js";

/**
 * Lines across the top of the page that stay until what they say is over.
 *
 * @param {string} name one banner for each name
 * @param {string|null} text null takes it away
 * @param {"note"|"warning"} [kind]
 * @param {...Node} buttons
 */
export function banner(name, text, kind = "warning", ...buttons) {
  const place = /** @type {HTMLElement} */ (document.getElementById("banners"));
  const old = place.querySelector(`[data-banner="${name}"]`);
  if (text === null) {
    old?.remove();
    return;
  }
  if (old && !buttons.length && old.querySelector("p")?.textContent === text) return;
  old?.remove();
  place.append(
    make("div", { className: `banner ${kind}`, data: { banner: name }, role: kind === "warning" ? "alert" : "status" },
      make("span", { className: "sign", "aria-hidden": "true", textContent: kind === "warning" ? "!" : "i" }),
      make("p", { textContent: text }), ...buttons),
  );
}

/** A note that can be put away. @param {string} name @param {string} text */
export function note(name, text) {
  banner(name, text, "note", make("button", { type: "button", className: "quiet", textContent: say("put_away"), onclick: () => banner(name, null) }));
}
