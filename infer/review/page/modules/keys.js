/**
 * One list of keys: what the page listens to and what the help shows. `letter` keys can be switched off, since single
 * letters get in the way of speech input.
 *
 * @typedef {{keys: string[], shown: string, text: string, does: string, letter?: boolean}} Binding
 */

/** @type {{title: string, name: string, bindings: Binding[]}[]} */
export const KEY_GROUPS = [
  { title: "Worklist", name: "worklist", bindings: [
    { keys: ["ArrowDown"], shown: "↓", text: "Next row", does: "rowDown" },
    { keys: ["ArrowUp"], shown: "↑", text: "Row before", does: "rowUp" },
    { keys: ["PageDown"], shown: "Page ↓", text: "A page down", does: "pageDown" },
    { keys: ["PageUp"], shown: "Page ↑", text: "A page up", does: "pageUp" },
    { keys: ["Home"], shown: "Home", text: "First row", does: "rowFirst" },
    { keys: ["End"], shown: "End", text: "Last row", does: "rowLast" },
    { keys: ["Enter"], shown: "Enter", text: "Open the marked row", does: "openRow" },
    { keys: ["ArrowRight"], shown: "→", text: "All reasons of the marked row", does: "unfold" },
    { keys: ["ArrowLeft"], shown: "←", text: "Fold them away", does: "fold" },
    { keys: ["o"], shown: "O", text: "Open the first foot that is still open and in nobody's hands", does: "openFirst", letter: true },
    { keys: ["/"], shown: "/", text: "Search by film name", does: "search", letter: true },
  ] },
  { title: "Verdict and way through the list", name: "film", bindings: [
    { keys: ["Enter", "Control+Enter"], shown: "Enter", text: "Confirm, or save the correction if points were moved (Ctrl+Enter from anywhere)", does: "confirm" },
    { keys: ["n"], shown: "N", text: "Next foot", does: "next", letter: true },
    { keys: ["p"], shown: "P", text: "Foot before", does: "previous", letter: true },
    { keys: ["u"], shown: "U", text: "Cannot be measured", does: "notMeasurable", letter: true },
    { keys: ["w"], shown: "W", text: "Write a note", does: "note", letter: true },
    { keys: ["Escape"], shown: "Esc", text: "Stop placing; let go of the point; back to the worklist", does: "escape" },
  ] },
  { title: "Points", name: "film", bindings: [
    { keys: ["."], shown: ".", text: "Next point", does: "nextPoint", letter: true },
    { keys: [","], shown: ",", text: "Point before", does: "previousPoint", letter: true },
    { keys: ["d"], shown: "D", text: "Next doubtful point", does: "nextDoubtful", letter: true },
    { keys: ["z"], shown: "Z", text: "Zoom to the point, and back", does: "zoomToPoint", letter: true },
    { keys: ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"], shown: "← → ↑ ↓", text: "Move the point by 0.25 film pixels; move the film if no point is chosen", does: "nudge" },
    { keys: ["Shift+ArrowLeft", "Shift+ArrowRight", "Shift+ArrowUp", "Shift+ArrowDown"], shown: "Shift + arrow", text: "by 1 film pixel", does: "nudge" },
    { keys: ["Alt+ArrowLeft", "Alt+ArrowRight", "Alt+ArrowUp", "Alt+ArrowDown"], shown: "Alt + arrow", text: "by 0.05 film pixels", does: "nudge" },
    { keys: ["Control+ArrowLeft", "Control+ArrowRight", "Control+ArrowUp", "Control+ArrowDown"], shown: "Ctrl + arrow", text: "by 20 film pixels", does: "nudge" },
    { keys: ["t"], shown: "T", text: "Place the point by a click", does: "place", letter: true },
    { keys: [" "], shown: "Space", text: "Put the point in the middle of the view (while placing)", does: "placeMiddle" },
    { keys: ["s"], shown: "S", text: "Leave the point for later, or its bone without guide lines (while placing)", does: "skip", letter: true },
    { keys: ["g"], shown: "G", text: "Guide lines at 30 and 70 % of a bone (while placing)", does: "guides", letter: true },
    { keys: ["v"], shown: "V", text: "Not visible, and back", does: "visible", letter: true },
    { keys: ["r"], shown: "R", text: "Point back to the model", does: "resetPoint", letter: true },
    { keys: ["Control+z"], shown: "Ctrl+Z", text: "Undo", does: "undo" },
    { keys: ["Control+Shift+z", "Control+y"], shown: "Ctrl+Shift+Z", text: "Redo", does: "redo" },
  ] },
  { title: "Film", name: "film", bindings: [
    { keys: ["+", "="], shown: "+", text: "Closer", does: "zoomIn", letter: true },
    { keys: ["-"], shown: "−", text: "Further", does: "zoomOut", letter: true },
    { keys: ["f"], shown: "F", text: "Fit the foot", does: "fit", letter: true },
    { keys: ["Shift+f"], shown: "Shift+F", text: "Fit the whole film", does: "fitFilm", letter: true },
    { keys: ["1"], shown: "1", text: "One film pixel to one screen pixel", does: "oneToOne", letter: true },
    { keys: ["0"], shown: "0", text: "As at first: size, turn, mirror, grey values", does: "resetView", letter: true },
    { keys: ["q"], shown: "Q", text: "Turn left by 90°", does: "turnLeft", letter: true },
    { keys: ["e"], shown: "E", text: "Turn right by 90°", does: "turnRight", letter: true },
    { keys: ["Shift+q"], shown: "Shift+Q", text: "Turn left by 5°", does: "tiltLeft", letter: true },
    { keys: ["Shift+e"], shown: "Shift+E", text: "Turn right by 5°", does: "tiltRight", letter: true },
    { keys: ["m"], shown: "M", text: "Mirror", does: "mirror", letter: true },
    { keys: ["x"], shown: "X", text: "As in the file, or toes up", does: "turnOver", letter: true },
    { keys: ["b"], shown: "B", text: "Brighter", does: "brighter", letter: true },
    { keys: ["Shift+b"], shown: "Shift+B", text: "Darker", does: "darker", letter: true },
    { keys: ["c"], shown: "C", text: "More contrast", does: "harder", letter: true },
    { keys: ["Shift+c"], shown: "Shift+C", text: "Less contrast", does: "softer", letter: true },
    { keys: ["i"], shown: "I", text: "Swap black and white", does: "invert", letter: true },
    { keys: ["a"], shown: "A", text: "All points, or those needed", does: "allPoints", letter: true },
    { keys: ["l"], shown: "L", text: "Names of the points", does: "labels", letter: true },
    { keys: ["h"], shown: "H", text: "Hide points and axes, and back", does: "hide", letter: true },
    { keys: ["o"], shown: "O", text: "Compare with another visit", does: "compare", letter: true },
  ] },
  { title: "Everywhere", name: "everywhere", bindings: [
    { keys: ["?"], shown: "?", text: "This help", does: "help", letter: true },
  ] },
];

/** Where letters are text, or choose. */
const TYPING = "textarea, select, input:not([type=checkbox], [type=radio], [type=range])";
/** Keys that boxes and sliders need themselves. */
const OWN = [" ", "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End", "PageUp", "PageDown"];

const STORED = "letter keys off";

export const letterKeys = {
  get on() {
    return localStorage.getItem(STORED) === null;
  },
  set on(on) {
    if (on) localStorage.removeItem(STORED);
    else localStorage.setItem(STORED, "1");
  },
};

/** @param {KeyboardEvent} event */
function pressed(event) {
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const letter = key >= "a" && key <= "z";
  const shift = event.shiftKey && (letter || key.length > 1);
  return `${event.ctrlKey || event.metaKey ? "Control+" : ""}${event.altKey ? "Alt+" : ""}${shift ? "Shift+" : ""}${key}`;
}

/**
 * Listen to the keys of some groups.
 *
 * @param {string} name
 * @param {Record<string, (event: KeyboardEvent) => boolean|void>} actions false leaves the key to the browser
 * @returns {() => void} stops listening
 */
export function listen(name, actions) {
  const table = new Map(
    KEY_GROUPS.filter((group) => group.name === name).flatMap((group) => group.bindings.flatMap((one) => one.keys.map((key) => [key, one]))),
  );
  const heard = (/** @type {KeyboardEvent} */ event) => {
    const binding = /** @type {Binding|undefined} */ (table.get(pressed(event)));
    if (!binding || event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const target = /** @type {HTMLElement} */ (event.target);
    const everywhere = event.key === "Enter" && event.ctrlKey;
    if (!everywhere && target.closest(TYPING)) {
      if (event.key === "Escape") target.blur();
      return;
    }
    if (target.closest("input") && OWN.includes(event.key)) return;
    if ((event.key === "Enter" || event.key === " ") && !everywhere && target.closest("button, a, summary")) return;
    if (binding.letter && !letterKeys.on) return;
    const action = actions[binding.does];
    if (action && action(event) !== false) event.preventDefault();
  };
  document.addEventListener("keydown", heard);
  return () => document.removeEventListener("keydown", heard);
}
