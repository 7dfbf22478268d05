import { make } from "./dom.js";

/**
 * A question in front of the page. Escape answers null; the focus goes back to where it was.
 *
 * @param {{title: string, body?: (Node|string)[], choices: {text: string, value: any, main?: boolean, ready?: () => string|null}[],
 *   wide?: boolean}} question `ready` of a choice says what is missing, or null
 * @returns {Promise<any>} value of the choice
 */
export function ask({ title, body = [], choices, wide = false }) {
  return new Promise((resolve) => {
    const before = /** @type {HTMLElement|null} */ (document.activeElement);
    const missing = make("p", { className: "missing", role: "alert" });
    const dialog = make("dialog", { className: wide ? "wide" : "", "aria-labelledby": "dialog-title" });
    const finish = (/** @type {any} */ value) => {
      dialog.close();
      dialog.remove();
      before?.focus({ preventScroll: true });
      resolve(value);
      // What cannot be pressed while a question is open takes the focus once the answer has been dealt with.
      setTimeout(() => {
        if (document.activeElement === document.body) before?.focus({ preventScroll: true });
      });
    };
    const buttons = choices.map(({ text, value, main, ready }) =>
      make("button", {
        type: main ? "submit" : "button",
        className: main ? "main" : "",
        textContent: text,
        onclick: (/** @type {Event} */ event) => {
          event.preventDefault();
          const lack = ready?.();
          missing.textContent = lack ?? "";
          if (!lack) finish(value);
        },
      }));
    const form = make("form", {}, make("h2", { id: "dialog-title", textContent: title }), ...body, missing,
      make("div", { className: "choices" }, ...buttons));
    form.addEventListener("submit", (/** @type {Event} */ event) => event.preventDefault());
    dialog.addEventListener("cancel", (/** @type {Event} */ event) => {
      event.preventDefault();
      finish(null);
    });
    dialog.append(form);
    document.body.append(dialog);
    dialog.showModal();
  });
}
