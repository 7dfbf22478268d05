import { make, makeSvg } from "./dom.js";
import { amount, range, spaced } from "./words.js";

/**
 * Angles with their intervals and grades, as they are now and as they were when the foot was opened.
 *
 * @typedef {import("./types.js").Measure} Measure
 * @typedef {import("./types.js").Measurements} Measurements
 */

const STRIP = { width: 200, height: 14 };

export class NumbersPanel {
  /**
   * @param {import("./types.js").Session} session
   * @param {{construction: (name: string) => void, grading: (name: string) => void}} changed
   */
  constructor(session, changed) {
    this.session = session;
    const options = (/** @type {{name: string, title: string}[]} */ list) => list.map((one) => make("option", { value: one.name, textContent: one.title }));
    this.construction = make("select", { id: "construction", onchange: () => changed.construction(this.construction.value) }, ...options(session.constructions));
    this.grading = make("select", { id: "grading", onchange: () => changed.grading(this.grading.value) }, ...options(session.grading));
    this.grading.value = session.grading_default;
    this.cited = make("p", { className: "hint" });
    this.rows = new Map(session.measures.map((measure) => [measure.name, row(measure)]));
    this.problem = make("p", { className: "missing", role: "alert" });
    this.other = "";
    this.element = make("section", { className: "numbers", "aria-labelledby": "numbers-title" },
      make("h2", { id: "numbers-title", textContent: "Numbers" }),
      make("div", { className: "measures" }, ...[...this.rows.values()].map((one) => one.element)),
      this.problem,
      make("div", { className: "pair" }, make("label", { for: "construction", textContent: "Construction" }), this.construction),
      make("div", { className: "pair" }, make("label", { for: "grading", textContent: "Grades by" }), this.grading),
      this.cited);
  }

  /**
   * @param {Measurements|null} now
   * @param {Record<string, number|null>} before values when the foot was opened
   * @param {Record<string, import("./types.js").Interval>|null} other values of the visit compared with
   */
  update(now, before, other) {
    const scheme = this.session.grading.find((one) => one.name === this.grading.value);
    this.cited.textContent = scheme?.cited ? `Source: ${scheme.cited}` : "";
    for (const measure of this.session.measures) {
      const parts = /** @type {ReturnType<typeof row>} */ (this.rows.get(measure.name));
      const found = now?.measures.find((one) => one.name === measure.name);
      const grade = now?.grades.find((one) => one.measure === measure.name);
      const value = found?.value ?? null;
      setText(parts.value, amount(value, measure.unit));
      parts.element.classList.toggle("withheld", value === null);
      const change = value !== null && before[measure.name] !== null && before[measure.name] !== undefined ? value - /** @type {number} */ (before[measure.name]) : 0;
      const pieces = value === null ? [found?.withheld || "not given"] : [`${Math.round(this.session.level * 100)} %: ${range(/** @type {any} */ (found), measure.unit)}`];
      if (Math.abs(change) >= 0.05) pieces.push(`${change > 0 ? "+" : "−"}${amount(Math.abs(change), measure.unit)} since opened`);
      setText(parts.interval, pieces.join(" · "));
      setText(parts.grade, grade ? `${grade.grade || grade.why}${grade.borderline ? `, near the border at ${amount(grade.border, measure.unit)}` : ""}` : "");
      parts.element.classList.toggle("borderline", Boolean(grade?.borderline));
      const its = other?.[measure.name]?.value;
      setText(parts.other, other ? `Other visit ${amount(its, measure.unit)}${value !== null && typeof its === "number" ? `, difference ${amount(value - its, measure.unit)}` : ""}` : "");
      if (found && found.construction) setText(parts.by, found.construction === this.construction.value ? "" : `by ${spaced(found.construction)}`);
      strip(parts.strip, found, scheme?.scales?.[measure.name]);
    }
  }

  /** One sentence for a screen reader. @param {Measurements} now */
  spoken(now) {
    return now.measures.map((one) => {
      const measure = this.session.measures.find((other) => other.name === one.name);
      return `${measure?.abbreviation ?? one.name} ${one.value === null ? "not given" : amount(one.value, one.unit)}`;
    }).join(", ");
  }
}

/** @param {Measure} measure */
function row(measure) {
  const value = make("output", { className: "value", id: `value-${measure.name}`, "aria-live": "off" });
  const interval = make("p", { className: "interval" });
  const grade = make("p", { className: "grade" });
  const reference = make("p", { className: "interval", textContent: measure.reference ? `Reference: ${measure.reference.brief}` : "", title: measure.reference ? measure.reference.says.join("\n") : "" });
  const other = make("p", { className: "other" });
  const by = make("span", { className: "by" });
  const picture = makeSvg("svg", { class: "strip", viewBox: `0 0 ${STRIP.width} ${STRIP.height}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  const element = make("div", { className: "measure", data: { measure: measure.name } },
    make("h3", {}, make("abbr", { textContent: measure.abbreviation, title: measure.title }), " ", make("span", { className: "title", textContent: measure.title }), by),
    value, picture, interval, grade, reference, other);
  return { element, value, interval, grade, other, by, strip: picture };
}

/** @param {Element} element @param {string} text */
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Interval and value on the scale of the grades. @param {any} picture @param {import("./types.js").Measured|undefined} found @param {import("./types.js").GradeBand[]|undefined} bands */
function strip(picture, found, bands) {
  picture.toggleAttribute("hidden", !bands || found?.value === null);
  if (!bands || !found || found.value === null || found.low === null || found.high === null) {
    picture.replaceChildren();
    return;
  }
  const borders = bands.flatMap((band) => [band.from ?? band.above, band.up_to]).filter((border) => typeof border === "number");
  const ends = [0, ...borders, found.low, found.high];
  const [least, most] = [Math.min(...ends), Math.max(...ends)];
  const margin = 0.12 * (most - least) || 1;
  const at = (/** @type {number} */ value) => ((value - least + margin) / (most - least + 2 * margin)) * STRIP.width;
  const { height } = STRIP;
  picture.replaceChildren(
    makeSvg("path", { class: "base", d: `M0 ${height - 2}H${STRIP.width}` }),
    ...borders.map((border) => makeSvg("path", { class: "border", d: `M${at(border)} 0V${height}` })),
    makeSvg("path", { class: "span", d: `M${at(found.low)} ${height / 2}H${Math.max(at(found.high), at(found.low) + 2)}` }),
    makeSvg("path", { class: "tick", d: `M${at(found.value)} 1V${height - 1}` }),
  );
}
