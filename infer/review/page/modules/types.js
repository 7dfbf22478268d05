/**
 * Shapes of what the server sends; the contract is API.md beside the server. Film pixels: x = column, y = row,
 * pixel centres at integers. Angles in degrees.
 *
 * @typedef {{x: number, y: number}} Place
 * @typedef {{kind: string, text: string}} Said
 * @typedef {{code: string, bone: string, axis: string, text: string, needed: boolean}} Landmark `axis`: bone of its axis, as axes name it
 * @typedef {{bones: Record<string, string>, other: string, doubtful: string, arc: string}} Colours CSS colours on the film
 * @typedef {{name: string, title: string, from: string[], to: string[]}} AxisLandmarks
 * @typedef {{name: string, abbreviation: string, title: string, unit: string, definition: string,
 *   reference: {brief: string, says: string[]}|null, landmarks: Record<string, string[]>, drawn: boolean,
 *   plausible: [number, number]|null}} Measure
 * @typedef {{grade: string, from?: number|null, above?: number|null, up_to?: number|null}} GradeBand
 * @typedef {{name: string, title: string, cited: string, scales: Record<string, GradeBand[]>}} GradingScheme
 * @typedef {{name: string, reads_total: number, reads_done: number, landmarks: string[]}} Study
 * @typedef {{run: {name: string, identity: string, films: number, feet: number, notices: string[]}, reader: string|null,
 *   study: Study|null, schema: Landmark[], bones: Record<string, string>, axes: Record<string, AxisLandmarks[]>, measures: Measure[],
 *   construction: string, constructions: {name: string, title: string}[], grading: GradingScheme[], grading_default: string,
 *   reason_kinds: Record<string, string>, reasons_not_measurable: string[], claim_seconds: number, level: number,
 *   cautions: Said[], colours: Colours}} Session
 *
 * @typedef {{value: number|null, low: number|null, high: number|null}} Interval
 * @typedef {{id: number, film?: string, foot: string, foot_index?: number, state: string, decision?: string,
 *   reasons?: Said[], values?: Record<string, Interval>, widest?: number|null, border?: number|null,
 *   borderline?: boolean, claimed_by?: string|null, version: number}} WorklistFoot
 *
 * @typedef {{code: string, x: number|null, y: number|null, visible: boolean, moved: boolean, doubtful?: boolean,
 *   var_x?: number|null, cov_xy?: number|null, var_y?: number|null, confidence?: number|null,
 *   model_x?: number|null, model_y?: number|null}} FootPoint
 * @typedef {{code: string, x: number|null, y: number|null, visible: boolean, moved: boolean}} SentPoint
 * @typedef {{name: string, value: number|null, low: number|null, high: number|null, unit: string,
 *   construction: string, withheld: string|null, held?: Held|null, accepted?: string|null, proven?: boolean,
 *   low_confidence?: boolean, implausible?: boolean}} Measured
 * @typedef {{cause: string, words: string, by_run: boolean, points: string[], acceptable: boolean}} Held
 * @typedef {{name: string, other: number|null, difference: number|null, low: number|null, high: number|null,
 *   reader_mdc: number|null, verdict: string, why: string|null}} Change
 * @typedef {{id: number, taken: string|null, version: number, later: "here"|"there"|null, why: string|null,
 *   caveats: string[], measures: Change[]}} Comparison
 * @typedef {{name: string, title: string, from: [number, number], to: [number, number]}} Axis
 * @typedef {{measure: string, grade: string, why: string|null, border: number|null, distance: number|null,
 *   borderline: boolean}} Grade
 * @typedef {{measures: Measured[], axes: Axis[], grading: string, grades: Grade[], side?: string, shown_as?: string,
 *   id?: number, run?: string, version?: number, comparison?: Comparison|null}} Measurements
 * @typedef {{reader: string, until: number}} ClaimState
 * @typedef {{id: number, run?: string, film: string|null, foot: string, side_by?: string|null, anew: boolean, remark?: string,
 *   companions?: {id: number, foot: string, renamed: boolean, state: string}[], foot_index?: number, film_id: number, rows: number,
 *   columns: number, row_mm: number|null, column_mm: number|null, aspect: number,
 *   film_notice: string|null, outline: [number, number][]|null, remarks: Said[], decision?: string, reasons?: Said[],
 *   state: string, version: number, construction: string, points: FootPoint[], measured: Measurements,
 *   claim: ClaimState|null, history: any[], earlier?: any[], note: string, reason: string, next: number|null,
 *   previous: number|null}} Foot
 */

export {};
