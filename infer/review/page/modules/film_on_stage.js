import { ApiError, outOfReach } from "./api.js";
import { banner } from "./banners.js";
import { home } from "./compare.js";
import { make } from "./dom.js";
import { fitArea } from "./fit_area.js";
import { firstWindow } from "./grey_window.js";
import { turnToToesUp } from "./orientation.js";
import { reasonWords } from "./reason_words.js";

/**
 * The film under a foot: fetched, laid toes up, shown with the grey values that it states.
 *
 * @typedef {import("./grey_window.js").GreyWindow} GreyWindow
 */

/** When a film that did not come is asked for again, ms. */
const AGAIN = 2500;

export class FilmOnStage {
  /** @param {import("./foot_session.js").FootSession} session @param {import("./stage.js").Stage} stage @param {() => void} changed grey values, or that the film is there */
  constructor(session, stage, changed) {
    this.session = session;
    this.stage = stage;
    this.changed = changed;
    /** @type {GreyWindow} as at first */
    this.usual = { low: 0, high: 65535, inverted: false };
    this.loading = make("p", { className: "loading", textContent: "Fetching the film…" });
    stage.element.append(this.loading);
  }

  /** @param {GreyWindow} window */
  setWindow(window) {
    this.stage.window = window;
    this.stage.draw();
    this.changed();
  }

  /** Size, turn, mirror and grey values as at first. */
  reset() {
    this.stage.view.reset();
    this.setWindow(this.usual);
  }

  /** The place of the foot, before its film is there. */
  open() {
    const { foot } = this.session;
    this.stage.view.open({ rows: foot.rows || 1, columns: foot.columns || 1, aspect: foot.aspect }, fitArea(foot), turnToToesUp(foot));
  }

  /** Fetch the film until it comes, or cannot. @returns {Promise<boolean>} whether it is shown */
  async show() {
    const { session, stage } = this;
    const { foot } = session;
    if (foot.film_notice) banner("film", foot.film_notice);
    try {
      const film = await session.app.films.get(foot.film_id);
      if (session.stopped) return false;
      // The run knows no size of files that it did not read, such as copies.
      if (!foot.rows) stage.view.open({ rows: film.rows, columns: film.columns, aspect: foot.aspect }, []);
      this.usual = firstWindow(film, home(foot));
      stage.window = this.usual;
      stage.load(film);
      stage.paint();
      this.loading.remove();
      this.changed();
      return true;
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      if (session.stopped) return false;
      this.loading.textContent = reasonWords({ kind: "", text: error.message });
      if (!outOfReach(error)) {
        banner("film", reasonWords({ kind: "", text: error.message }));
        return false;
      }
      await new Promise((resolve) => setTimeout(resolve, AGAIN));
      return session.stopped ? false : this.show();
    }
  }
}
