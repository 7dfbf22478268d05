"""A letter of referral: numbers of the last films, how these were taken, and what no film shows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import isfinite

from raysplay.infer.report.document import About, Block, Bullets, DataTable, Heading, Notice, Paragraph
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import Language
from raysplay.infer.visit.persons import LeftOut, Person
from raysplay.infer.visit.report import (
    ReportGround,
    foot_words,
    latest_of,
    numbers_of,
    title_of,
    unconfirmed,
    verdict_words,
)
from raysplay.infer.visit.signed import Signed, not_confirmed, told_of
from raysplay.infer.visit.timeline import timeline

NOT_ON_FILM = ("pain", "toe_range", "first_ray", "footwear", "tried")
"""What no film shows: pain, range of the great toe's joint, mobility of the first ray, footwear, what was tried."""

FIELDS = ("to", "sender", "reason", *NOT_ON_FILM, "remarks")
"""What is written by hand; what is left empty has its line on paper."""

_FOLLOWED = ("hva", "ima")


def letter_of(
    person: Person,
    left: tuple[LeftOut, ...],
    ground: ReportGround,
    written: Mapping[str, str],
    signed: Signed,
) -> list[Block]:
    """The letter.

    Parameters
    ----------
    person : Person
    left : tuple of LeftOut
        What is in no report; that of this person is named.
    ground : ReportGround
    written : mapping of str to str
        By name of a field, see :data:`FIELDS`.
    signed : Signed
    """
    words = ground.words
    latest = [foot for side in ("R", "L") if (foot := latest_of(person, side)) is not None]
    open_feet = [one for one in latest if unconfirmed(one)]
    blocks: list[Block] = [
        About(words.language, "raysplay visit", words.say("contents"), words.say("page")),
        Heading(words.say("letter_title", person=person.called), 1),
        *not_confirmed(signed, words),
    ]
    if open_feet:
        if signed.confirmed:
            blocks.append(Notice(words.say("unconfirmed")))
        feet = "; ".join(foot_words(one, words) for one in open_feet)
        blocks.append(Paragraph(words.say("unconfirmed_feet", feet=feet), caution=True))
    blocks += [
        DataTable(
            words.say("letter_head"),
            ["", ""],
            [
                [words.say("letter_to"), _text(written, "to", words)],
                [words.say("letter_sender"), _text(written, "sender", words)],
                [words.say("letter_person"), words.say("letter_person_line", person=person.called)],
                [words.say("letter_reason"), _text(written, "reason", words)],
            ],
            weights=(22, 78),
            roomy=True,
        ),
        _numbers(latest, ground),
        Paragraph(words.say("record_below", level=words.number(100 * ground.level, 0), run=ground.run)),
        _technique(latest, words),
    ]
    if changes := list(_changes(person, ground)):
        blocks += [Heading(words.say("letter_change"), 3), Bullets(changes)]
    mine = [one for one in left if one.person == person.called]
    if mine:
        told = [words.say("left_out_film", film=one.film, why=words.phrase(one.why)) for one in mine]
        blocks += [Paragraph(words.say("left_out")), Bullets(told)]
    rows = [[words.say(f"letter_{one}"), _text(written, one, words)] for one in NOT_ON_FILM]
    blocks.append(DataTable(words.say("letter_not_on_film"), ["", ""], rows, weights=(36, 64), roomy=True))
    if written.get("remarks"):
        blocks += [Heading(words.say("letter_remarks"), 3), Paragraph(written["remarks"])]
    return [
        *blocks,
        Paragraph(words.say("device"), caution=True),
        Paragraph(f"{told_of(signed, words).text} {words.say('letter_signature')}"),
    ]


def _text(written: Mapping[str, str], name: str, words: Language) -> str:
    return written.get(name, "").strip() or words.say("letter_blank")


def _numbers(feet: list[FootOnFilm], ground: ReportGround) -> DataTable:
    words = ground.words
    header = [words.say(f"record_{one}") for one in ("foot", "measure", "value", "interval", "source")]
    rows = []
    for foot in feet:
        for one in foot.shown:
            value, interval, _, source, remark = numbers_of(foot, one, words)
            about = "; ".join(filter(None, (source, remark)))
            rows.append([foot_words(foot, words), title_of(one.measure, words), value, interval, about])
    return DataTable(words.say("record_caption"), header, rows, frozenset({2}), (20, 26, 10, 16, 28))


def _technique(feet: list[FootOnFilm], words: Language) -> DataTable:
    names = ("day", "loading", "worn", "tilt", "stance", "beam", "distance", "marker", "surgery")
    rows = []
    for foot in {one.film.name: one for one in feet}.values():
        stated = foot.stated
        rows.append(
            [
                words.day(foot.taken),
                words.say(f"loading_{foot.loading or 'unknown'}"),
                words.say(f"worn_{stated.worn or 'unknown'}"),
                words.say("unknown") if stated.tilt is None else f"{words.number(stated.tilt)} {words.say('unit_deg')}",
                words.say(f"stance_{stated.stance or 'unknown'}"),
                words.say(f"beam_{(stated.beam or 'unknown').replace(' ', '_')}"),
                words.say("unknown") if stated.distance is None else f"{words.number(stated.distance, 0)} cm",
                words.say(f"marker_{stated.marker or 'unknown'}"),
                words.say(f"surgery_{stated.surgery or 'unknown'}"),
            ]
        )
    kinds = {"stance": "taking", "beam": "taking", "distance": "taking", "marker": "taking"}
    header = [words.say(f"{kinds.get(one, 'technique')}_{one}") for one in names]
    return DataTable(words.say("letter_technique"), header, rows, frozenset(), (13, 10, 10, 10, 13, 12, 11, 11, 10))


def _changes(person: Person, ground: ReportGround) -> Iterator[str]:
    """The step in time to the film of the record, of HVA and IMA on each side, with its verdict; once, what is not
    known of the films."""
    words = ground.words
    unknown: dict[str, None] = {}
    for side in ("R", "L"):
        feet, record = person.of_side(side), latest_of(person, side)
        for name in _FOLLOWED:
            found = timeline(name, feet, ground.new_films, ground.protocol.change, ground.level)
            steps = [one for one in found.steps if not one.whole]
            if not steps:
                continue
            # Another film of that day, with a splint or without load, must not stand for it.
            step = next((one for one in steps if record is not None and one.second.foot == record.foot), steps[-1])
            change = step.change
            compared = isfinite(change.difference) and not change.reasons
            if compared:
                unknown.update(dict.fromkeys(change.caveats))
            yield words.say(
                "letter_step",
                side=words.say(f"side_{side}"),
                measure=name.upper(),
                first=words.day(step.first.taken),
                second=words.day(step.second.taken),
                difference=f"{words.signed(change.difference)} {words.say('unit_deg')}, " if compared else "",
                verdict=verdict_words(replace(step, change=replace(change, caveats=())), words),
            )
    if unknown:
        yield f"{words.say('caveats', what='; '.join(words.phrase(one) for one in unknown))}."
