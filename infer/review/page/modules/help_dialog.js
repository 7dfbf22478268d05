import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { KEY_GROUPS, letterKeys } from "./keys.js";
import { levelWords } from "./words.js";

/** All keys, what the signs mean, and the switch for letter keys. @param {number} level of the run's intervals */
export function showHelp(level) {
  const groups = KEY_GROUPS.map(({ title, bindings }) =>
    make("section", {}, make("h3", { textContent: title }),
      make("dl", { className: "keys" }, ...bindings.flatMap(({ shown, text }) => [
        make("dt", {}, make("kbd", { textContent: shown })), make("dd", { textContent: text })]))));
  const letters = make("input", { type: "checkbox", id: "letter-keys", checked: letterKeys.on, onchange: () => (letterKeys.on = letters.checked) });
  const mouse = make("section", {}, make("h3", { textContent: "Mouse and touch" }),
    make("dl", { className: "keys" }, ...[
      ["Drag a point", "Move it; with Shift five times finer"],
      ["Click a point, then “Place”, then click", "Move it without dragging"],
      ["Drag the film", "Move the film"],
      ["Click twice", "Bring that place to the middle, without dragging"],
      ["Wheel, or two fingers", "Zoom where you point"],
      ["Drag with the right button", "Contrast left and right, brightness up and down"],
    ].flatMap(([what, does]) => [make("dt", { textContent: what }), make("dd", { textContent: does })])));
  const signs = make("section", {}, make("h3", { textContent: "Signs on the film" }),
    make("dl", { className: "keys" }, ...[
      ["○ ring", "where the model put a point"],
      ["◇ diamond", "a point that the model doubts"],
      ["□ square", "a point that a reader placed"],
      ["✕ cross", "marked as not visible"],
      ["lines and arcs", "axes of the bones, in the colours of the legend, and the angles between them"],
      ["dashed blue lines", "30 and 70 % of a bone's length, from the two ends that you clicked; they are not saved"],
      ["dotted oval", `where the true place lies in ${levelWords(level)} of cases, as the model says; shown for the chosen point`],
    ].flatMap(([what, does]) => [make("dt", { textContent: what }), make("dd", { textContent: does })])));
  return ask({
    title: "Help and keys",
    wide: true,
    body: [
      make("p", { className: "check" }, letters, make("label", { for: "letter-keys", textContent: "Single letters work as keys (switch off for speech input)" })),
      make("div", { className: "help", tabIndex: 0, role: "region", "aria-label": "Keys and signs" }, make("div", { className: "columns" }, ...groups, mouse, signs)),
    ],
    choices: [{ text: "Close", value: null, main: true }],
  });
}
