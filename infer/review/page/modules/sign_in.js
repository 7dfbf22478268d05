import { api, ApiError } from "./api.js";
import { make, refill } from "./dom.js";

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
      make("h1", { textContent: session === null ? "Desk" : session.study ? `Blind reads: ${session.study.name}` : session.run.name }),
      make("p", { textContent: session === null ? "Films that are dropped here are measured on this machine. You decide what stands." : session.study
        ? "Films come one by one in an order of your own. Nothing that the model found is shown."
        : "The model has read these films. You decide what stands." }),
      make("label", { for: "initials", textContent: "Your initials" }),
      input,
      make("p", { id: "initials-hint", className: "hint", textContent: session === null ? "One to eight letters or digits. They go with all that you save." : "One to eight letters or digits. They go with every read that you save." }),
      error,
      make("button", { type: "submit", className: "main", textContent: session === null ? "Sit down" : "Start reading" }));
    form.addEventListener("submit", async (/** @type {Event} */ event) => {
      event.preventDefault();
      try {
        const { reader } = await api.signIn(input.value.trim());
        resolve(reader);
      } catch (problem) {
        error.textContent = problem instanceof ApiError ? problem.message : "Something failed in this page. Load it again.";
        input.setAttribute("aria-invalid", "true");
        input.focus();
      }
    });
    refill(main, form);
    input.focus();
  });
}
