import { make } from "./dom.js";
import { ReasonsLine } from "./reasons_line.js";
import { DECISIONS, SIDE_CHOICES, STATES, footName } from "./words.js";

/** The line above a foot: which one it is, what the model and the readers say of it, and the way to the next. */
export class FootHead {
  /** @param {import("./foot_session.js").FootSession} session @param {(direction: "next"|"previous") => void} go */
  constructor(session, go) {
    this.session = session;
    const { foot, blind } = session;
    const way = (/** @type {"next"|"previous"} */ direction, /** @type {string} */ text, /** @type {string} */ label) =>
      make("button", { type: "button", textContent: text, "aria-label": label, onclick: () => go(direction) });
    const decision = foot.decision ? DECISIONS[foot.decision] : null;
    const remarks = [...(foot.remark ? [{ kind: "", text: foot.remark }] : []), ...(foot.reasons ?? []), ...foot.remarks];
    const read = blind ? "read" : "foot";
    this.badge = make("span", { className: "badge" });
    this.heading = make("h1", { tabIndex: -1 });
    this.side = make("select", { "aria-label": "Side of the foot", onchange: () => session.edit.change("side", { side: this.side.value }) },
      ...[["", "If there is a foot: side?"], ...SIDE_CHOICES].map(([value, text]) => make("option", { value, textContent: text })));
    this.element = make("div", { className: "foot-head" },
      make("a", { href: "#/feet", className: "back", textContent: blind ? "Your reads" : "Worklist" }),
      make("div", { className: "who" }, this.heading, foot.foot || !foot.rows ? null : this.side, this.badge,
        decision ? make("span", { className: `decision ${foot.decision}`, textContent: `${decision.sign} ${decision.text}` }) : null,
        remarks.length ? new ReasonsLine(remarks).element : null),
      make("div", { className: "way" }, way("previous", "‹ Previous", `Previous ${read}`), way("next", "Next ›", `Next ${read}`)));
  }

  update() {
    const { foot, side, title, machine } = this.session;
    const { sign, text } = STATES[foot.state] ?? { sign: "", text: foot.state };
    this.badge.textContent = `${sign} ${text}`;
    this.badge.className = `badge ${foot.state}`;
    this.heading.textContent = `${title}, ${side ? footName(side) : "no foot found"}`;
    this.side.value = side;
    this.side.disabled = !machine.enabled("edit");
  }
}
