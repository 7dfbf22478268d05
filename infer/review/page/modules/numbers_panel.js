import { make, makeSvg, refill } from "./dom.js";
import { amount, footName, levelWords, range, spaced } from "./words.js";

/**
 * Angles with their intervals and grades, as they are now and as they were when the foot was opened. A number that is
 * withheld is not shown: its row says why, and asks on request. Numbers of other points than those on the film are marked
 * as pending.
 *
 * @typedef {import("./types.js").Measure} Measure
 * @typedef {import("./types.js").Measurements} Measurements
 */

const STRIP = { width: 200, height: 14 };

export class NumbersPanel {
  /**
   * @param {import("./foot_session.js").FootSession} foot
   * @param {{look: (name: string) => void, giveBack: (name: string) => void, point: (code: string) => void}} does `look`: at a withheld number
   */
  constructor(foot, does) {
    const session = foot.review;
    this.foot = foot;
    this.session = session;
    this.landmarks = foot.landmarks;
    const options = (/** @type {{name: string, title: string}[]} */ list) => list.map((one) => make("option", { value: one.name, textContent: one.title }));
    this.construction = make("select", { id: "construction", onchange: () => foot.edit.change("construction", { construction: this.construction.value }) }, ...options(session.constructions));
    this.grading = make("select", { id: "grading", onchange: () => {
      foot.grading = this.grading.value;
      foot.measuring.ask();
    } }, ...options(session.grading));
    this.grading.value = foot.grading;
    this.cited = make("p", { className: "hint" });
    this.rows = new Map(session.measures.map((measure) => [measure.name, row(measure, does)]));
    this.comparing = make("p", { className: "hint" });
    this.mirrored = make("p", { className: "mirrored" });
    this.problem = make("p", { className: "missing", role: "alert" });
    this.other = "";
    this.element = make("section", { className: "numbers", "aria-labelledby": "numbers-title" },
      make("h2", { id: "numbers-title", textContent: "Numbers" }),
      this.mirrored,
      make("div", { className: "measures" }, ...[...this.rows.values()].map((one) => one.element)),
      this.comparing,
      this.problem,
      make("div", { className: "pair" }, make("label", { for: "construction", textContent: "Construction" }), this.construction),
      make("div", { className: "pair" }, make("label", { for: "grading", textContent: "Grades by" }), this.grading),
      this.cited);
  }

  /** Bring it to the numbers of the foot as they are. */
  update() {
    const { measured: now, before, behind, construction, side, machine } = this.foot;
    if (this.foot.blind) return;
    const scheme = this.session.grading.find((one) => one.name === this.grading.value);
    this.cited.textContent = scheme?.cited ? `Source: ${scheme.cited}` : "";
    this.construction.value = construction;
    this.construction.disabled = !machine.enabled("edit");
    this.element.classList.toggle("pending", behind || now === null);
    this.element.setAttribute("aria-busy", String(behind));
    const shownAs = now?.shown_as ?? "";
    setText(this.mirrored, side && shownAs && shownAs !== side ? `The film shows this ${footName(side).toLowerCase()} as a ${footName(shownAs).toLowerCase()}: mirrored. Angles keep their sign.` : "");
    const comparison = now?.comparison;
    setText(this.comparing, comparison ? comparison.why ?? [COMPARED[comparison.later ?? ""], ...comparison.caveats.map((one) => `${one}`)].join("; ") : "");
    for (const measure of this.session.measures) {
      const parts = /** @type {ReturnType<typeof row>} */ (this.rows.get(measure.name));
      const found = now?.measures.find((one) => one.name === measure.name);
      const grade = now && now.grading === this.grading.value ? now.grades.find((one) => one.measure === measure.name) : undefined;
      const value = found?.value ?? null;
      setText(parts.value, amount(value, measure.unit));
      parts.element.classList.toggle("withheld", value === null);
      const change = value !== null && before[measure.name] !== null && before[measure.name] !== undefined ? value - /** @type {number} */ (before[measure.name]) : 0;
      const pieces = !now ? ["no numbers of these points yet"] : value === null ? [this.landmarks.worded(found?.withheld || "not given")] : [`${levelWords(this.session.level)}: ${range(/** @type {any} */ (found), measure.unit)}`];
      if (Math.abs(change) >= 0.05) pieces.push(`${change > 0 ? "+" : "−"}${amount(Math.abs(change), measure.unit)} since opened`);
      setText(parts.interval, pieces.join(" · "));
      setText(parts.grade, grade ? `${grade.grade || grade.why}${grade.borderline ? `, near the border at ${amount(grade.border, measure.unit)}` : ""}` : "");
      parts.element.classList.toggle("borderline", Boolean(grade?.borderline));
      setText(parts.marks, value === null ? "" : [found?.proven === false ? "unproven" : "", found?.low_confidence ? "low confidence" : ""].filter(Boolean).join(", "));
      this.#held(parts, measure, found);
      setText(parts.other, changeWords(comparison?.measures.find((one) => one.name === measure.name), measure.unit));
      if (found && found.construction) setText(parts.by, found.construction === construction ? "" : `by ${spaced(found.construction)}`);
      strip(parts.strip, found, scheme?.scales?.[measure.name]);
    }
  }

  /** What holds a number back, and what can be done. @param {ReturnType<typeof row>} parts @param {Measure} measure @param {import("./types.js").Measured|undefined} found */
  #held(parts, measure, found) {
    const { machine } = this.foot;
    const held = found?.held ?? null;
    const taken = found?.accepted ?? null;
    setText(parts.taken, held && taken ? `accepted by ${taken}, withheld${held.by_run ? " by the run" : ""}: ${spaced(held.cause)}` : "");
    parts.look.hidden = !held?.acceptable || taken !== null;
    parts.giveBack.hidden = !held || taken === null;
    parts.look.disabled = !machine.enabled("look", found);
    parts.giveBack.disabled = !machine.enabled("give_back", found);
    const codes = held && !taken ? held.points : [];
    if (parts.codes.dataset.codes === codes.join()) return;
    parts.codes.dataset.codes = codes.join();
    refill(parts.codes, ...(codes.length ? ["Doubtful: ", ...codes.map((code) => make("button", { type: "button", className: "quiet", textContent: this.landmarks.name(code),
      title: code, onclick: () => parts.point(code) }))] : []));
  }

  /** One sentence for a screen reader. @param {Measurements} now */
  spoken(now) {
    return now.measures.map((one) => {
      const measure = this.session.measures.find((other) => other.name === one.name);
      return `${measure?.abbreviation ?? one.name} ${one.value === null ? "not given" : amount(one.value, one.unit)}`;
    }).join(", ");
  }
}

/** @type {Record<string, string>} */
const COMPARED = {
  here: "Change: this film, the later one, less the other film",
  there: "Change: the other film, the later one, less this film",
  "": "Which film is the later one is not known: this film less the other film",
};

/** @param {import("./types.js").Change|undefined} change @param {string} unit */
function changeWords(change, unit) {
  if (!change) return "";
  if (change.difference === null) return `No change given: ${change.why}`;
  const sign = change.difference > 0 ? "+" : "";
  const mdc = change.reader_mdc === null ? "; no error of readers is published" : `; readers alone: up to ${amount(change.reader_mdc, unit)}`;
  const least = change.mdc === null ? "" : `; counts from ${amount(change.mdc, unit)}${change.holds_new_film ? ", a new film of the same foot included" : ", what a new film gives is not known"}`;
  return `Other film ${amount(change.other, unit)}; change ${sign}${amount(change.difference, unit)} (${range(change, unit)}), ${change.verdict}${mdc}${least}`;
}

/** @param {Measure} measure @param {{look: (name: string) => void, giveBack: (name: string) => void, point: (code: string) => void}} does */
function row(measure, does) {
  const value = make("output", { className: "value", id: `value-${measure.name}`, "aria-live": "off" });
  const interval = make("p", { className: "interval" });
  const grade = make("p", { className: "grade" });
  const reference = make("p", { className: "reference", textContent: measure.reference ? `Reference: ${measure.reference.brief}` : "", title: measure.reference ? measure.reference.says.join("\n") : "" });
  const marks = make("p", { className: "marks-of" });
  const taken = make("p", { className: "taken" });
  const codes = make("p", { className: "codes" });
  const other = make("p", { className: "other" });
  const by = make("span", { className: "by" });
  const button = (/** @type {string} */ text, /** @type {() => void} */ onclick) =>
    make("button", { type: "button", className: "look", textContent: text, "aria-label": `${text.replace("…", "")}: ${measure.abbreviation}`, hidden: true, onclick });
  const look = button("Look at the number…", () => does.look(measure.name));
  const giveBack = button("Withhold it again", () => does.giveBack(measure.name));
  const picture = makeSvg("svg", { class: "strip", viewBox: `0 0 ${STRIP.width} ${STRIP.height}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  const element = make("div", { className: "measure", data: { measure: measure.name } },
    make("h3", {}, make("abbr", { textContent: measure.abbreviation, title: measure.title }), " ", make("span", { className: "title", textContent: measure.title }), by),
    value, picture, interval, grade, reference, marks, taken, codes, look, giveBack, other);
  return { element, value, interval, grade, marks, taken, codes, look, giveBack, point: does.point, other, by, strip: picture };
}

/** @param {Element} element @param {string} text */
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Interval and value on the scale of the grades. @param {any} picture @param {import("./types.js").Measured|undefined} found @param {import("./types.js").GradeBand[]|undefined} bands */
function strip(picture, found, bands) {
  picture.toggleAttribute("hidden", !bands || !found || found.value === null);
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
