import { counted } from "./words.js";

/**
 * What may be done with a foot, and when. One table holds the states, what a reader may do in each, and what leads from
 * one to another; whether a button can be pressed follows from it, and nothing else decides.
 *
 * Five states follow from facts alone: `opened`, `changed`, `reading`, `settled`, `held`. Four are passed through while
 * something goes on: `asking`, `looking`, `saving`, `conflict`.
 *
 * @typedef {"confirm"|"correct"|"cannot_be_measured"|"wrong_side"|"wrong_view"|"reopen"} Verdict
 * @typedef {Verdict|"edit"|"note"|"switch"|"look"|"give_back"} Deed `edit`: points, side, construction; `switch`: from
 *   one of two reads to the other; `look`: at a withheld number, to take it; `give_back`: a number that was taken
 * @typedef {"opened"|"changed"|"reading"|"settled"|"held"|"asking"|"looking"|"saving"|"conflict"} State
 * @typedef {"ask"|"look"|"answered"|"send"|"saved"|"refused"|"overtaken"|"theirs"|"mine"|"back"} Event
 * @typedef {{state: string, corrected: boolean, blind: boolean, other: string|null, unplaced: number, sideless: boolean,
 *   behind: boolean}} Facts `state` of the read that stands; `corrected`: what would be saved differs from it; `other`: who
 *   else has the foot; `unplaced`: points that a blind read lacks; `sideless`: points without a side; `behind`: the
 *   numbers shown are of other points
 * @typedef {{held?: import("./types.js").Held|null, accepted?: string|null}} NumberState a number that a deed is about
 * @typedef {{main?: Verdict, deeds: Deed[], on: Partial<Record<Event, State|null>>, lack: (facts: Facts) => string, behind?: boolean}} Row
 *   `on`: null leads back to what follows from the facts; `lack`: why what is not among its deeds cannot be done;
 *   `behind`: the page lies behind a question, and looks as it did before
 */

/** @type {Deed[]} */
const OPEN = ["cannot_be_measured", "wrong_side", "wrong_view", "edit", "note", "switch"];
/** @type {Deed[]} */
const NUMBERS = ["look", "give_back"];
/** @type {Partial<Record<Event, State|null>>} */
const BEGINS = { ask: "asking", send: "saving" };

/** @type {Record<State, Row>} */
export const TABLE = {
  opened: { main: "confirm", deeds: ["confirm", ...OPEN, ...NUMBERS], on: { ...BEGINS, look: "looking" }, lack: () => "There is nothing to do this to." },
  changed: { main: "correct", deeds: ["correct", ...OPEN, ...NUMBERS], on: { ...BEGINS, look: "looking" }, lack: () => "There is nothing to do this to." },
  reading: { main: "correct", deeds: ["correct", ...OPEN], on: BEGINS, lack: () => "There is nothing to do this to." },
  settled: { deeds: ["reopen", "switch"], on: BEGINS, lack: () => "Reopen the foot to change it." },
  held: { deeds: [], on: {}, lack: ({ other }) => `${other} is working on this foot. You can look, but not change it.` },
  asking: { deeds: [], on: { answered: null, send: "saving" }, lack: () => "A question is open.", behind: true },
  looking: { deeds: [], on: { answered: null }, lack: () => "A question is open.", behind: true },
  saving: { deeds: [], on: { saved: null, refused: null, overtaken: "conflict" }, lack: () => "Saving…" },
  conflict: { deeds: [], on: { theirs: null, mine: "saving", back: null }, lack: () => "Two reads wait for a choice.", behind: true },
};

/** @type {(facts: Facts) => string} */
const sided = ({ sideless }) => (sideless ? "no side stated yet" : "");
/** @type {(facts: Facts) => string} */
const placed = ({ unplaced }) => (unplaced ? `${counted(unplaced, "point")} still to place` : "");
/** @type {(facts: Facts) => string} */
const current = ({ behind }) => (behind ? "the numbers are still being worked out" : "");

/** What a deed needs besides its state: each says what is missing, or nothing. @type {Partial<Record<Deed, ((facts: Facts, number: NumberState) => string)[]>>} */
const NEEDS = {
  confirm: [sided],
  correct: [sided, placed],
  look: [current, (_, { held, accepted }) => (held?.acceptable && !accepted ? "" : "there is no withheld number that could be taken")],
  give_back: [current, (_, { held, accepted }) => (held && accepted ? "" : "nobody took it")],
};

/** What follows from the facts while nothing goes on. @param {Facts} facts @returns {State} */
export function standing({ state, corrected, blind, other }) {
  if (other !== null) return "held";
  if (state !== "open") return "settled";
  if (blind) return "reading";
  return corrected ? "changed" : "opened";
}

/** Why a deed is impossible in a state; empty where it is possible. @param {State} state @param {Facts} facts @param {Deed} deed @param {NumberState} [number] */
export function lack(state, facts, deed, number = {}) {
  const row = TABLE[state];
  if (!row.deeds.includes(deed)) return row.lack(facts);
  return (NEEDS[deed] ?? []).map((need) => need(facts, number)).find(Boolean) ?? "";
}

export class VerdictMachine {
  /** @param {() => Facts} facts as they are now @param {() => void} changed */
  constructor(facts, changed) {
    this.facts = facts;
    this.changed = changed;
    /** @type {State|null} what goes on */
    this.doing = null;
  }

  /** @returns {State} */
  get state() {
    return this.doing ?? standing(this.facts());
  }

  /** What the main button does once the foot is free. @returns {Verdict|null} */
  get main() {
    const { main } = TABLE[standing({ ...this.facts(), other: null })];
    return main ?? null;
  }

  /** Why something cannot be done now; empty where it can. @param {Deed} deed @param {NumberState} [number] that it is about */
  lack(deed, number) {
    return lack(this.state, this.facts(), deed, number);
  }

  /** @param {Deed} deed @param {NumberState} [number] */
  may(deed, number) {
    return this.lack(deed, number) === "";
  }

  /** Whether it could be done if no question were open: another reader may have come meanwhile. @param {Deed} deed @param {NumberState} [number] */
  stillMay(deed, number) {
    const facts = this.facts();
    return lack(standing(facts), facts, deed, number) === "";
  }

  /** Whether its button can be pressed; behind an open question all look as before. @param {Deed} deed @param {NumberState} [number] */
  enabled(deed, number) {
    return TABLE[this.state].behind ? this.stillMay(deed, number) : this.may(deed, number);
  }

  /**
   * Something happened.
   *
   * @param {Event} event
   * @throws {Error} if it cannot happen in the present state: a fault of the page
   */
  go(event) {
    const next = TABLE[this.state].on[event];
    if (next === undefined) throw new Error(`"${event}" cannot happen while the foot is "${this.state}"`);
    this.doing = next;
    this.changed();
  }
}
