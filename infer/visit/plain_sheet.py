"""A sheet for the person whose foot it is: the picture in plain words, what changed, and published facts."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

from raysplay.configs.conversation_facts import conversation_facts
from raysplay.configs.normal_ranges import normal_ranges
from raysplay.infer.report.document import About, Block, Bullets, Heading, Notice, Paragraph
from raysplay.infer.visit.foot_drawing import NORMAL, foot_picture
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import Language
from raysplay.infer.visit.persons import Person
from raysplay.infer.visit.report import ReportGround, foot_words, latest_of, unconfirmed
from raysplay.infer.visit.signed import Signed, not_confirmed, told_of
from raysplay.infer.visit.timeline import Step, timeline
from raysplay.measure.change import Verdict

_TOE, _BONE = "hva", "ima"


def plain_sheet_of(
    person: Person, ground: ReportGround, remarks: str = "", signed: Signed | None = None
) -> list[Block]:
    """The sheet: the foot first, facts below it.

    Parameters
    ----------
    person : Person
    ground : ReportGround
    remarks : str
        What is written by hand.
    signed : Signed, optional
        Who wrote it on the page; by the command nobody does.
    """
    words = ground.words
    latest = [foot for side in ("R", "L") if (foot := latest_of(person, side)) is not None]
    open_feet = [foot_words(one, words) for one in latest if unconfirmed(one)]
    blocks: list[Block] = [
        About(words.language, "raysplay visit", words.say("contents"), words.say("page")),
        Heading(words.say("plain_title", person=person.called), 1),
        *([] if signed is None else not_confirmed(signed, words)),
    ]
    if open_feet:
        if signed is None or signed.confirmed:
            blocks.append(Notice(words.say("unconfirmed")))
        blocks.append(Paragraph(words.say("unconfirmed_feet", feet="; ".join(open_feet)), caution=True))
    blocks.append(Paragraph(words.say("plain_about"), caution=True))
    for foot in latest:
        blocks += [Heading(foot_words(foot, words)), *_foot(foot, ground)]
        if changes := list(_changes(person.of_side(foot.side), ground)):
            blocks += [Heading(words.say("plain_change"), 3), Bullets(changes)]
    if remarks.strip():
        blocks += [Heading(words.say("letter_remarks"), 3), Paragraph(remarks.strip())]
    facts = [
        f"{words.say(f'about_{one.about}')}: {one.text.get(words.language, one.text['en'])} ({one.source})"
        for one in conversation_facts()
    ]
    return [
        *blocks,
        *([] if signed is None else [told_of(signed, words)]),
        Heading(words.say("conversation")),
        Paragraph(words.say("conversation_about")),
        Bullets(facts),
        Heading(words.say("cautions")),
        Bullets([words.say(f"caution_{number}") for number in (1, 2, 4, 5)]),
        Paragraph(words.say("end"), caution=True),
    ]


def _foot(foot: FootOnFilm, ground: ReportGround) -> Iterator[Block]:
    words = ground.words
    toe, bone = foot.measure(_TOE), foot.measure(_BONE)
    if foot.unfit or toe is None or bone is None or not isfinite(toe.given[0]) or not isfinite(bone.given[0]):
        why = foot.unfit or next((one.withheld for one in (toe, bone) if one is not None and one.withheld), "")
        yield Paragraph(words.say("where_unfit", why=words.phrase(why) or words.say("none")))
        return
    drawn = foot_picture(foot, ground.protocol, words)
    if drawn is not None:
        yield drawn[0]
    value, low, high = toe.given
    level = words.number(100.0 * ground.level, 0)
    told = [
        words.say(
            "plain_toe" if value >= 0.0 else "plain_toe_away",
            angle=words.number(abs(value)),
            normal=words.number(NORMAL.hva),
            source=NORMAL.source,
        ),
        words.say("plain_bone", angle=words.number(bone.given[0]), normal=words.number(NORMAL.ima)),
    ]
    if drawn is not None:
        unit = words.say("unit_mm") if drawn[1].millimetres else words.say("percent_m2")
        head, tip = (words.number(one) for one in (drawn[1].head, drawn[1].tip))
        told.append(words.say("plain_moved", head=head, tip=tip, unit=unit))
    if normal_ranges()[_TOE].excess(value) > 0.0:
        told.append(words.say("bump"))
    told.append(words.say("plain_interval", level=level, low=words.number(low), high=words.number(high)))
    yield Bullets([*told, words.say("caution_4")])


def _changes(feet: tuple[FootOnFilm, ...], ground: ReportGround) -> Iterator[str]:
    """The last step of the toe's angle in time, and its pairs of one day."""
    found = timeline(_TOE, feet, ground.new_films, ground.protocol.change, ground.level)
    steps = [one for one in found.steps if not one.whole]
    for step in steps[-1:]:
        yield _said(step, "plain_step", ground.words)
    for step in found.positional:
        yield _said(step, "plain_pair", ground.words)


def _said(step: Step, key: str, words: Language) -> str:
    change = step.change
    first, second = words.day(step.first.taken), words.day(step.second.taken)
    if change.verdict is Verdict.NOT_COMPARABLE:
        why = "; ".join(words.phrase(one) for one in change.reasons)
        return words.say("plain_none", first=first, second=second, why=why)
    verdict = "beyond" if change.verdict is Verdict.BEYOND_ERROR else "within"
    return words.say(f"{key}_{verdict}", first=first, second=second, difference=words.signed(change.difference))
