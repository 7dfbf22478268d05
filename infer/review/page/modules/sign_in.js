import { api, ApiError } from "./api.js";
import { make, refill } from "./dom.js";
import { say } from "./say.js";

/**
 * Asks who reads.
 *
 * @param {HTMLElement} main
 * @param {import("./types.js").Session|null} session null at the desk, before there is a run
 * @returns {Promise<string>} initials as the server took them
 */
export function signIn(main, session) {
  return new Promise((resolve) => {
    const input = make("input", { id: "initials", name: "initials", maxLength: 8, autocomplete: "off",
      spellcheck: false, "aria-describedby": "initials-hint initials-error" });
    const error = make("p", { id: "initials-error", className: "missing", role: "alert" });
    const form = make("form", { className: "sign-in", noValidate: true },
      make("h1", { textContent: session === null ? say("desk") : session.study ? say("blind_title", { study: session.study.name }) : session.run.name }),
      make("p", { textContent: say(session === null ? "sign_in_desk" : session.study ? "sign_in_blind" : "sign_in_review") }),
      make("label", { for: "initials", textContent: say("your_initials") }),
      input,
      make("p", { id: "initials-hint", className: "hint", textContent: say(session === null ? "initials_desk" : "initials_review") }),
      error,
      make("button", { type: "submit", className: "main", textContent: say(session === null ? "sit_down" : "start_reading") }));
    form.addEventListener("submit", async (/** @type {Event} */ event) => {
      event.preventDefault();
      try {
        const { reader } = await api.signIn(input.value.trim());
        resolve(reader);
      } catch (problem) {
        error.textContent = problem instanceof ApiError ? problem.message : say("page_failed_early");
        input.setAttribute("aria-invalid", "true");
        input.focus();
      }
    });
    refill(main, form);
    input.focus();
  });
}
