/** Calls of the desk's page; the contract is API.md beside the server. */

import { ApiError, request } from "./api.js";
import { say } from "./say.js";
import { sessionHeaders } from "./session_key.js";

/** @type {string} */
let reader = "";

/** Who sits here: every call says so, since all pages of a browser share one key. @param {string} initials */
export function sitsHere(initials) {
  reader = initials;
}

const of = (/** @type {string} */ called) => `called=${encodeURIComponent(called)}`;

export const desk = {
  /** @returns {Promise<import("./types.js").ClinicState>} */
  state: () => request("GET", "clinic"),
  /** @param {string} text @returns {Promise<import("./types.js").ClinicFilms>} */
  films: (text = "") => request("GET", `clinic/films?text=${encodeURIComponent(text)}`),
  /** @param {number} number @returns {Promise<import("./types.js").ClinicFilm>} */
  film: (number) => request("GET", `clinic/films/${number}`),
  /** @param {number} number @returns {Promise<import("./types.js").Stated[]>} */
  statements: (number) => request("GET", `clinic/films/${number}/statements`),
  /** @param {number} number @param {import("./types.js").StatementSent} sent @returns {Promise<import("./types.js").ClinicFilm>} */
  say: (number, sent) => request("POST", `clinic/films/${number}/statements`, sent),
  /** @param {number} number @returns {Promise<import("./types.js").ClinicDocument[]>} */
  papersOf: (number) => request("GET", `clinic/films/${number}/papers`),
  /** @param {number} number @param {import("./types.js").WithdrawalSent} sent @returns {Promise<import("./types.js").ClinicWithdrawn[]>} */
  withdraw: (number, sent) => request("POST", `clinic/films/${number}/withdrawal`, sent),
  /** @returns {Promise<import("./types.js").ClinicWithdrawn[]>} */
  withdrawn: () => request("GET", "clinic/withdrawn"),
  /** @param {number} number @returns {Promise<import("./types.js").ClinicWithdrawn[]>} */
  deletePaper: (number) => request("POST", `clinic/documents/${number}/deletion`, {}),
  /** @returns {Promise<import("./types.js").ClinicPerson[]>} */
  persons: () => request("GET", "clinic/persons"),
  /** @param {string} called @returns {Promise<import("./types.js").OnePerson>} */
  person: (called) => request("GET", `clinic/person?${of(called)}`),
  /** @param {string} called @param {import("./types.js").DocumentSent} sent @returns {Promise<import("./types.js").Handed>} */
  draft: (called, sent) => request("POST", `clinic/draft?${of(called)}`, sent),
  /** @param {string} called @param {import("./types.js").DocumentSent} sent @returns {Promise<import("./types.js").Written>} */
  write: (called, sent) => request("POST", `clinic/documents?${of(called)}`, sent),
  /** @param {boolean} anew @returns {Promise<import("./types.js").ClinicState>} */
  measure: (anew) => request("POST", "clinic/measuring", { anew }),
  /** The language in which the desk opens from now on. @param {string} name @returns {Promise<import("./types.js").Spoken>} */
  speak: (name) => request("POST", "clinic/language", { language: name }),
  /** @param {string} language @param {string} paper @returns {Promise<import("./types.js").Handed>} */
  card: (language, paper) => request("GET", `clinic/card?language=${language}&paper=${paper}`),
  /** @param {File} file @param {string} name @returns {Promise<import("./types.js").Arrival[]>} */
  take: async (file, name) => {
    let answer;
    try {
      answer = await fetch("/api/clinic/films", {
        method: "POST",
        credentials: "omit",
        headers: { ...sessionHeaders(), "X-Reader": encodeURIComponent(reader), "X-Film-Name": encodeURIComponent(name), "Content-Type": "application/octet-stream" },
        body: file,
      });
    } catch {
      throw new ApiError(0, { error: say("file_not_sent") });
    }
    const told = await answer.json().catch(() => null);
    if (!answer.ok) throw new ApiError(answer.status, told);
    return told;
  },
};
