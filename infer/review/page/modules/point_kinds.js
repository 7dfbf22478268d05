/** What a point is, by who placed it: signs and words in the list of points. */

/** @typedef {"model"|"doubtful"|"moved"|"hidden"|"none"} PointKind */

/** @type {Record<PointKind, string>} */
export const SIGNS = { model: "○", doubtful: "◇", moved: "□", hidden: "✕", none: "·" };

/** @type {Record<PointKind, string>} */
export const KIND_WORDS = { model: "", doubtful: "doubtful", moved: "by hand", hidden: "not visible", none: "to place" };
