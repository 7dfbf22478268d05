import { ApiError, readsAs, watchServer } from "./api.js";
import { announce } from "./announcer.js";
import { banner } from "./banners.js";
import { BothFeet } from "./both_feet.js";
import { desk, sitsHere } from "./desk_api.js";
import { DeskHome } from "./desk_home.js";
import { make, refill } from "./dom.js";
import { howFarWords } from "./desk_words.js";
import { PersonPage } from "./person_page.js";
import { language, languages, say } from "./say.js";
import { signIn } from "./sign_in.js";
import { DESK_CHANGED } from "./withdrawal.js";

const main = /** @type {HTMLElement} */ (document.getElementById("main"));
const place = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** How often the server is asked how far it is, ms: while it measures, and else. */
const OFTEN = 700;
const SELDOM = 8000;

/**
 * One view of the desk. `measured` is told when films were added to what is measured.
 *
 * @typedef {{element: HTMLElement, title: string, open: () => Promise<void>, state?: (state: import("./types.js").ClinicState) => void,
 *   measured?: () => Promise<void>, unsaved?: () => boolean}} View
 */

/** @type {View|null} */
let view = null;
let shown = "";
let measured = "";
let spoken = "";
let timer = 0;
let asking = false;
let again = false;

/** @param {string} hash @returns {View} */
function viewOf(hash) {
  const person = /^#\/person\/(.+)$/.exec(hash);
  if (person) return new PersonPage(decodeURIComponent(person[1]));
  const film = /^#\/film\/(\d+)$/.exec(hash);
  if (film) return new BothFeet(Number(film[1]));
  return new DeskHome(lookNow);
}

async function show() {
  const hash = location.hash || "#/";
  if (hash === shown) return;
  if (view?.unsaved?.() && !window.confirm(say("unsaved"))) {
    history.replaceState(null, "", shown);
    return;
  }
  shown = hash;
  const next = viewOf(hash);
  view = next;
  document.title = say("view_title", { view: next.title });
  refill(main, next.element);
  main.scrollTop = 0;
  try {
    await next.open();
    document.title = say("view_title", { view: next.title });
    if (view === next) /** @type {HTMLElement|null} */ (next.element.querySelector("h1"))?.focus({ preventScroll: true });
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    if (view === next) {
      refill(main, make("div", { className: "failed", role: "alert" }, make("h1", { tabIndex: -1, textContent: say("cannot_be_shown") }), make("p", { textContent: error.message }),
        make("p", {}, make("a", { href: "#/", textContent: say("back_to_desk") }))));
    }
  }
}

/** Ask at once how far it is: something was changed here. */
function lookNow() {
  if (asking) again = true; // what is under way may have been answered before
  else void watch();
}

async function watch() {
  clearTimeout(timer);
  asking = true;
  again = false;
  let wait = SELDOM;
  try {
    const state = await desk.state();
    const { text, busy } = howFarWords(state);
    place("standing").textContent = text;
    place("worklist").hidden = !state.measured;
    if (text !== spoken && spoken) announce(text);
    spoken = text;
    banner("trouble", state.trouble || null);
    failed(state);
    view?.state?.(state);
    if (measured !== state.measured) {
      const first = measured === "";
      ({ measured } = state);
      if (!first || state.measured) await view?.measured?.();
    }
    if (busy) wait = OFTEN;
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    wait = OFTEN;
  }
  asking = false;
  timer = window.setTimeout(() => void watch(), again ? 0 : wait);
}

/** @param {import("./types.js").ClinicState} state */
function failed({ measuring }) {
  const again = (/** @type {string} */ textContent, /** @type {boolean} */ anew) => make("button", { type: "button", textContent, onclick: async () => {
    banner("failed", null);
    await desk.measure(anew);
    lookNow();
  } });
  if (measuring.stage !== "failed") banner("failed", null);
  else if (!document.querySelector('[data-banner="failed"]')) {
    banner("failed", say("measuring_failed", { error: measuring.error }), "warning", again(say("try_again"), false), again(say("read_anew"), true));
  }
}

/** The choice of a language: kept by the desk, and the page is loaded anew in it. */
function chooseLanguage() {
  const choice = /** @type {HTMLSelectElement} */ (place("page-language"));
  choice.replaceChildren(...languages.map(([value, textContent]) => make("option", { value, textContent, lang: value })));
  choice.value = language;
  choice.hidden = false;
  choice.addEventListener("change", async () => {
    const wanted = choice.value;
    choice.value = language;
    if (view?.unsaved?.() && !window.confirm(say("unsaved"))) return;
    try {
      await desk.speak(wanted);
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      banner("language", say("language_not_kept", { why: error.message }));
      return;
    }
    view = null; // what was typed was given up
    location.reload();
  });
}

async function start() {
  watchServer((contact) => banner("server", contact === "silent" ? say("desk_silent") : contact === "stranger" ? say("desk_stranger") : null));
  let state;
  try {
    state = await desk.state();
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    refill(main, make("p", { className: "loading", textContent: error.message }));
    return;
  }
  chooseLanguage();
  const reader = state.reader ?? (await signIn(main, null));
  readsAs(reader);
  sitsHere(reader);
  refill(place("reader"), say("at_the_desk"), make("strong", { textContent: reader }));
  ({ measured } = state);
  window.addEventListener("hashchange", () => void show());
  window.addEventListener(DESK_CHANGED, lookNow);
  window.addEventListener("beforeunload", (event) => {
    if (view?.unsaved?.()) event.preventDefault();
  });
  await show();
  void watch();
}

window.addEventListener("unhandledrejection", (event) => {
  banner("failure", event.reason instanceof ApiError ? event.reason.message : say("page_failed"));
});

start();
