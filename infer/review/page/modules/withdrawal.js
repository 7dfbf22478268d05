import { announce } from "./announcer.js";
import { ApiError } from "./api.js";
import { banner } from "./banners.js";
import { desk } from "./desk_api.js";
import { ask } from "./dialog.js";
import { make } from "./dom.js";
import { paperLine } from "./paper_line.js";
import { momentWords } from "./desk_words.js";
import { counted, say } from "./say.js";

/** Why a film goes. @type {import("./types.js").WithdrawalSent["why"][]} */
const REASONS = ["wrong_person", "private", "mistake"];

/** Told to the window when something was taken off: how far the desk is, is another. */
export const DESK_CHANGED = "deskchanged";

/** A film that was dropped by mistake: the question before it goes, and the line that stays. */

/** A group of choices of which none is made beforehand. @param {string} name @param {string} legend @param {[string, string][]} choices */
function group(name, legend, choices) {
  const inputs = choices.map(([value, text]) => /** @type {[any, string]} */ ([make("input", { type: "radio", name, id: `${name}-${value}`, value }), text]));
  const element = make("fieldset", {}, make("legend", { textContent: legend }),
    ...inputs.map(([input, text]) => make("p", { className: "check" }, input, make("label", { for: input.id, textContent: text }))));
  return { element, chosen: () => inputs.find(([input]) => input.checked)?.[0].value ?? null };
}

/** @param {string} text @param {string[]} parts */
const listed = (text, parts) => [make("p", { textContent: text }), make("ul", {}, ...parts.map((part) => make("li", { textContent: part })))];

/** @template T @param {() => Promise<T>} deed @returns {Promise<T|null>} */
async function tried(deed) {
  try {
    const done = await deed();
    banner("withdrawal", null);
    window.dispatchEvent(new Event(DESK_CHANGED));
    return done;
  } catch (problem) {
    if (!(problem instanceof ApiError)) throw problem;
    banner("withdrawal", problem.message);
    return null;
  }
}

/** Ask, then take a film off the desk. @param {import("./types.js").ClinicFilm} film @returns {Promise<boolean>} whether it is gone */
export async function takeOff({ number, given }) {
  const papers = await tried(() => desk.papersOf(number));
  if (!papers) return false;
  const why = group("withdrawal-why", say("off_reason"), REASONS.map((value) => [value, say(`off_why_${value}`)]));
  const fate = papers.length ? group("withdrawal-papers", say(papers.length === 1 ? "off_paper_one" : "off_paper_many", { papers: counted(papers.length, "papers") }), [["delete", say("off_delete_papers")], ["keep", say("off_keep_papers")]]) : null;
  fate?.element.append(make("ul", { className: "papers" }, ...papers.map((paper) => paperLine(paper))));
  const lacking = () => (!why.chosen() ? say("off_choose_reason") : fate && !fate.chosen() ? say("off_choose_papers") : null);
  const sure = await ask({
    title: say("off_title"),
    body: [make("p", {}, make("strong", { className: "withdrawn-name", textContent: given })), ...listed(say("off_goes"), [say("off_goes_copy"), say("off_goes_feet"), say("off_goes_statements")]), ...listed(say("off_stays"), [say("off_stays_line", { number }), say("off_stays_elsewhere")]), why.element, fate?.element ?? ""],
    choices: [{ text: say("off_back"), value: null, main: true }, { text: say("off_sure"), value: true, ready: lacking }],
  });
  if (!sure) return false;
  const done = await tried(() => desk.withdraw(number, { why: /** @type {any} */ (why.chosen()), papers: papers.map(({ id }) => id), delete_papers: fate?.chosen() === "delete" }));
  if (done) announce(say("off_done", { number }));
  return done !== null;
}

/** A button that takes a film off. @param {import("./types.js").ClinicFilm} film @param {() => void} gone @param {boolean} [short] */
export function takeOffButton(film, gone, short = true) {
  return make("button", { type: "button", className: "take-off", textContent: say(short ? "off_short" : "off_button"), ...(short ? { "aria-label": say("off_short_label", { film: film.given }) } : {}),
    onclick: async () => {
      if (await takeOff(film)) gone();
    } });
}

/** A button that deletes a paper which stands on a film that is gone. @param {import("./types.js").ClinicDocument} paper @param {() => void} gone */
function deleteButton(paper, gone) {
  return make("button", { type: "button", textContent: say("off_delete_paper"), onclick: async () => {
    const sure = await ask({ title: say("off_delete_paper_title"), body: [make("p", { textContent: say("off_delete_paper_body") })],
      choices: [{ text: say("off_keep_paper"), value: null, main: true }, { text: say("off_delete_paper"), value: true }] });
    if (sure && (await tried(() => desk.deletePaper(paper.id)))) gone();
  } });
}

/** A paper with the way to delete it, where a film of it is gone. @param {import("./types.js").ClinicDocument} paper @param {() => void} gone @param {boolean} [named] */
export function paperWithWays(paper, gone, named = false) {
  const line = paperLine(paper);
  if (named) line.prepend(say("off_person", { person: paper.person }));
  if (paper.withdrawn && !paper.deleted_at) line.append(" ", deleteButton(paper, gone));
  return line;
}

/** What stays of films that were taken off. @param {import("./types.js").ClinicWithdrawn[]} all @param {() => void} changed */
export function withdrawnList(all, changed) {
  if (!all.length) return null;
  return make("section", { className: "withdrawn", "aria-label": say("off_list", { count: all.length }) }, make("h2", { textContent: say("off_list", { count: all.length }) }),
    make("ul", {}, ...all.map(({ number, at, by, why: reason, papers }) => make("li", {}, say("off_line", { number, when: momentWords(at), by, why: say(`off_said_${reason}`) }),
      papers.length ? make("ul", { className: "papers" }, ...papers.map((paper) => paperWithWays(paper, changed, true))) : null))));
}
