import { ask } from "./dialog.js";
import { make } from "./dom.js";

/** The questions before a foot is said to have no numbers. */

/** @param {string[]} reasons why a foot cannot be measured @returns {Promise<string|null>} the one that was chosen; null to go back */
export async function askReason(reasons) {
  const choices = reasons.map((reason, k) => /** @type {[string, any]} */ ([reason, make("input", { type: "radio", name: "reason", id: `reason-${k}`, value: reason })]));
  const chosen = () => choices.find(([, input]) => input.checked)?.[0] ?? null;
  const sure = await ask({
    title: "Why can this foot not be measured?",
    body: [make("fieldset", {}, make("legend", { textContent: "Reason" }),
      ...choices.map(([reason, input]) => make("p", { className: "check" }, input, make("label", { for: input.id, textContent: reason }))))],
    choices: [
      { text: "Save: cannot be measured", value: true, main: true, ready: () => (chosen() ? null : "Choose a reason first.") },
      { text: "Back", value: null },
    ],
  });
  return sure ? chosen() : null;
}

/** Whether the film is no weight-bearing dorsoplantar view. @returns {Promise<boolean>} */
export async function askView() {
  const sure = await ask({ title: "Wrong view", body: [make("p", { textContent: "The film is not a weight-bearing dorsoplantar view." })],
    choices: [{ text: "Save: wrong view", value: true, main: true }, { text: "Back", value: null }] });
  return sure === true;
}
