import { boneName } from "./bones.js";

/** A point on the edge of a shaft, as the landmark schema words it: its side, its bone, its level. */
const EDGE = /^(medial|lateral) outer cortex of the (.+) at (\d+) % of its length$/;
/** Longest name of a point on the film, letters. */
const SHORT = 36;

/**
 * A landmark of a foot: one that the server left out, in a blind study, has no place and nothing of the model.
 *
 * @typedef {import("./types.js").FootPoint} FootPoint
 * @typedef {Pick<FootPoint, "code"|"x"|"y"|"visible"|"moved"> & Partial<FootPoint>} GivenPoint
 */

/** What the run's landmarks are called and which of them its measures stand on. */
export class Landmarks {
  /** @param {import("./types.js").Session} session */
  constructor(session) {
    this.session = session;
    this.byCode = new Map(session.schema.map((landmark) => [landmark.code, landmark]));
    this.order = new Map(session.schema.map((landmark, k) => [landmark.code, k]));
  }

  /** Codes that the reported measures need by a construction, in schema order. @param {string} construction */
  needed(construction) {
    const codes = new Set(this.session.study?.landmarks ?? this.session.measures.flatMap((measure) => measure.landmarks[construction] ?? []));
    return this.session.schema.map(({ code }) => code).filter((code) => codes.has(code));
  }

  /** A point for every landmark: those that the server left out have no place yet. @param {FootPoint[]} points @returns {GivenPoint[]} */
  complete(points) {
    const given = new Map(points.map((point) => [point.code, point]));
    return this.session.schema.map(({ code }) => given.get(code) ?? { code, x: null, y: null, visible: true, moved: false });
  }

  /** @param {string} code */
  bone(code) {
    return this.byCode.get(code)?.bone ?? "";
  }

  /** How a person finds it. @param {string} code */
  text(code) {
    return this.byCode.get(code)?.text ?? "";
  }

  /** Its name: "first metatarsal, medial edge, 30 %". @param {string} code */
  name(code) {
    const bone = boneName(this.bone(code));
    const text = this.text(code);
    const edge = EDGE.exec(text);
    if (edge) return `${bone}, ${edge[1]} edge, ${edge[3]} %`;
    return text.includes(` of the ${bone}`) || !bone ? text || code : `${bone}, ${text}`;
  }

  /** Its name where its bone is told already: "medial edge, 30 %". @param {string} code */
  part(code) {
    const edge = EDGE.exec(this.text(code));
    if (edge) return `${edge[1]} edge, ${edge[3]} %`;
    return this.text(code).replace(` of the ${boneName(this.bone(code))}`, "") || code;
  }

  /** Its name on the film. @param {string} code */
  short(code) {
    const edge = EDGE.exec(this.text(code));
    if (edge) return `${edge[1]} ${edge[3]} %`;
    const part = this.part(code);
    return part.length > SHORT ? `${part.slice(0, SHORT).replace(/\s\S*$/, "")}…` : part;
  }

  /** Share of its bone's length at which a point on a shaft lies; null for others. @param {string} code @returns {number|null} */
  level(code) {
    const edge = EDGE.exec(this.text(code));
    return edge ? Number(edge[3]) / 100 : null;
  }

  /** Levels of a bone's shaft, from the base. @param {string} bone @returns {number[]} */
  levels(bone) {
    const found = this.session.schema.filter((one) => one.bone === bone).map(({ code }) => this.level(code)).filter((level) => level !== null);
    return [...new Set(found)].sort((a, b) => a - b);
  }

  /** A sentence with names in place of codes. @param {string} words */
  worded(words) {
    return words.replace(/\b[A-Z][A-Za-z0-9]*(?:_[A-Za-z0-9]+)*\b/g, (word) => (this.byCode.has(word) ? this.name(word) : word));
  }
}
