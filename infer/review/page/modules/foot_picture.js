import { arcs } from "./arcs.js";
import { percent } from "./reason_words.js";
import { NUMBERLESS } from "./words.js";

/**
 * What of a foot is drawn over its film: its points, the axes of the points as they lie now, and the angles between them.
 *
 * @typedef {import("./overlay.js").Drawing} Drawing
 */
export class FootPicture {
  /**
   * @param {import("./foot_session.js").FootSession} session
   * @param {import("./point_tools.js").PointTools} tools
   * @param {import("./stage.js").Stage} stage
   * @param {import("./orientation.js").Orientation} orientation
   */
  constructor(session, tools, stage, orientation) {
    this.session = session;
    this.tools = tools;
    this.stage = stage;
    this.orientation = orientation;
    /** Points that no measure needs, too; names of points; nothing at all. */
    this.all = false;
    this.labels = false;
    this.hidden = false;
  }

  /** Codes in the list and on the film: those needed, those touched, or all. */
  get codes() {
    const { session, tools } = this;
    const needed = new Set(session.needed);
    return session.review.schema.map(({ code }) => code).filter((code) => this.all || needed.has(code) || session.edit.state(code).moved || code === tools.selected);
  }

  /** @returns {import("./overlay.js").DrawnPoint[]} */
  get points() {
    const { session, tools } = this;
    return this.codes.flatMap((code) => {
      const place = session.edit.place(code);
      const kind = session.kind(code);
      if (!place || kind === "none") return [];
      const given = session.edit.given.get(code);
      const spread = code === tools.selected && kind !== "moved" && typeof given?.var_x === "number"
        ? /** @type {[number, number, number]} */ ([given.var_x, given.cov_xy, given.var_y]) : null;
      return [{ code, name: code === tools.selected ? session.landmarks.name(code) : session.landmarks.short(code), place, kind, covariance: spread }];
    });
  }

  /** @returns {Drawing|null} */
  drawing() {
    if (this.hidden) return null;
    const { session, tools, stage } = this;
    const axes = this.#axes();
    return {
      points: this.points,
      axes,
      selected: tools.selected,
      labels: this.labels,
      cross: tools.placing.active && !stage.magnified ? stage.view.centre : null,
      outline: session.blind || !axes.length ? session.foot.outline : null,
      guide: tools.guides.drawn(tools.selected),
      arcs: (lines) => (NUMBERLESS.has(session.foot.state) ? [] : arcs(session.review, session.construction, session.measured?.measures ?? [], lines)),
      pending: session.behind,
      legend: true,
      level: session.review.level,
      reserved: [this.orientation.box],
    };
  }

  /** Where a point lies, and how sure the model was of it. @param {string} code */
  where(code) {
    const { edit } = this.session;
    const place = edit.place(code);
    if (!place) return "not placed yet";
    const given = edit.given.get(code);
    const sure = !edit.state(code).moved && typeof given?.confidence === "number" ? ` · model ${percent(given.confidence)} sure` : "";
    return `x ${place.x.toFixed(2)}, y ${place.y.toFixed(2)}${sure}`;
  }

  /** Axes of the points as they lie now: an end is the mean of its landmarks. @returns {import("./types.js").Axis[]} */
  #axes() {
    const { edit, review, construction } = this.session;
    const end = (/** @type {string[]} */ codes) => {
      const places = codes.map((code) => (edit.state(code).visible ? edit.place(code) : null));
      const mean = (/** @type {"x"|"y"} */ part) => places.reduce((sum, place) => sum + (place ? place[part] : NaN), 0) / places.length;
      return /** @type {[number, number]} */ ([mean("x"), mean("y")]);
    };
    return (review.axes[construction] ?? []).map(({ name, title, from, to }) => ({ name, title, from: end(from), to: end(to) }))
      .filter((axis) => [...axis.from, ...axis.to].every(Number.isFinite));
  }
}
