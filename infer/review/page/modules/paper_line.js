import { momentWords } from "./desk_words.js";
import { make } from "./dom.js";
import { languages, say } from "./say.js";

/** A paper that was written, as a line of a list. @param {import("./types.js").ClinicDocument} paper */
export function paperLine(paper) {
  const said = { kind: say(`paper_${paper.kind}`), language: languages.find(([code]) => code === paper.language)?.[1] ?? paper.language, when: momentWords(paper.at), by: paper.by };
  const link = (/** @type {string|null} */ href, /** @type {string} */ text) => (href ? make("a", { href, target: "_blank", textContent: text }) : make("span", { textContent: say("paper_gone", { what: text }) }));
  return make("li", { className: paper.confirmed ? "" : "unconfirmed" }, say(paper.confirmed ? "paper_confirmed" : "paper_unconfirmed", said),
    ...(paper.deleted_at ? [] : [link(paper.page, say("paper_page")), " ", link(paper.pdf, say("paper_pdf"))]),
    paper.stale ? make("strong", { className: "stale", textContent: say(paper.withdrawn ? "paper_film_gone" : "paper_stale") }) : null,
    paper.deleted_at ? say("paper_deleted", { by: paper.deleted_by, when: momentWords(paper.deleted_at) }) : null);
}
