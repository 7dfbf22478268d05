import { ApiError } from "./api.js";
import { say } from "./say.js";
import { sessionHeaders } from "./session_key.js";

/**
 * @typedef {{rows: number, columns: number, window: {low: number, high: number}, levels: import("./halved.js").Level[]}} LoadedFilm
 * @typedef {{promise: Promise<LoadedFilm>, settle: (film: LoadedFilm) => void, fail: (error: Error) => void}} Entry
 */

/** Films kept: the present one, its neighbours, one to compare with. 14 MB a film of 3000 x 2400, and a third more. */
const KEPT = 5;

/** The films last asked for, fetched once each. */
export class FilmStore {
  constructor() {
    /** @type {Map<number, Entry>} */
    this.films = new Map();
    this.worker = new Worker(new URL("./film_worker.js", import.meta.url), { type: "module" });
    this.worker.onmessage = ({ data }) => {
      const entry = this.films.get(data.film);
      if (data.levels) {
        entry?.settle(data);
      } else {
        this.films.delete(data.film);
        entry?.fail(new ApiError(data.status, { error: data.error || say(data.said) }));
      }
    };
  }

  /** @param {number} film @returns {Promise<LoadedFilm>} */
  get(film) {
    let entry = this.films.get(film);
    if (entry) {
      this.films.delete(film);
    } else {
      entry = /** @type {Entry} */ ({});
      entry.promise = new Promise((settle, fail) => Object.assign(/** @type {Entry} */ (entry), { settle, fail }));
      entry.promise.catch(() => {});
      this.worker.postMessage({ film, headers: sessionHeaders(), url: `${location.origin}/api/films/${encodeURIComponent(film)}/pixels` });
    }
    this.films.set(film, entry);
    for (const oldest of this.films.keys()) {
      if (this.films.size <= KEPT) break;
      this.films.delete(oldest);
    }
    return entry.promise;
  }
}
