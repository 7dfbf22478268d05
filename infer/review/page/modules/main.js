import { api, ApiError, outOfReach } from "./api.js";
import { App } from "./app.js";
import { banner, note } from "./banners.js";
import { useBones } from "./bones.js";
import { make, refill } from "./dom.js";
import { showHelp } from "./help_dialog.js";
import { listen } from "./keys.js";
import { signIn } from "./sign_in.js";
import { cautionWords } from "./words.js";

const main = /** @type {HTMLElement} */ (document.getElementById("main"));

async function start() {
  let session;
  try {
    session = await api.session();
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    refill(main, make("p", { className: "loading", textContent: error.message }));
    return;
  }
  const place = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
  place("caution").textContent = cautionWords(session);
  place("run").textContent = session.study ? `Study ${session.study.name}` : session.run.name;
  if (session.clinic) place("saved").before(make("a", { href: "/desk", className: "to-desk", textContent: "To the desk" }));
  const help = () => void showHelp(session.level);
  place("help").addEventListener("click", help);
  useBones(session);
  listen("everywhere", { help });
  if (session.run.notices.length) note("notices", session.run.notices.join(" "));
  if (!session.reader) {
    session.reader = await signIn(main, session);
    session = { ...(await api.session()), reader: session.reader };
  }
  refill(place("reader"), "Reader ", make("strong", { textContent: session.reader }));
  await new App(main, session).start();
}

window.addEventListener("unhandledrejection", (event) => {
  // Told by a banner of its own.
  if (outOfReach(event.reason)) {
    event.preventDefault();
    return;
  }
  banner("failure", event.reason instanceof ApiError ? event.reason.message : "Something failed in this page. What is saved is safe; load the page again.");
});

start();
