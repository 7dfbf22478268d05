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

  /** A point for every landmark: those that the server left out have no place yet. @param {import("./types.js").FootPoint[]} points @returns {import("./types.js").FootPoint[]} */
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
}
