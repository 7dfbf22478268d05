"""The report of one person, as blocks: the record first, then what stands behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from raysplay.configs.conversation_facts import conversation_facts
from raysplay.configs.normal_ranges import normal_ranges
from raysplay.configs.proof import ForeignError, proofs
from raysplay.configs.protocol import ReadingProtocol
from raysplay.configs.reader_error import reader_error
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.report.document import (
    About,
    Block,
    Bullets,
    DataTable,
    Heading,
    NewPage,
    Notice,
    Paragraph,
)
from raysplay.infer.review.settings import HandPlaced
from raysplay.infer.review.shown import Shown
from raysplay.infer.visit.conditions import Worn
from raysplay.infer.visit.foot_drawing import NORMAL, foot_picture
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.grades import side_by_side
from raysplay.infer.visit.language import Language
from raysplay.infer.visit.overlay_picture import overlay_picture
from raysplay.infer.visit.persons import LeftOut, Person
from raysplay.infer.visit.signed import Signed, not_confirmed, told_of
from raysplay.infer.visit.timeline import Step, Timeline, by_load, timeline
from raysplay.infer.visit.timeline_plot import timeline_picture
from raysplay.infer.visit.where_it_sits import Level, WhereItSits, where_it_sits
from raysplay.measure import Measure, by_name
from raysplay.measure.change import NOTHING_WORN, Occasion, Verdict
from raysplay.measure.deformity import RAY
from raysplay.measure.reader_error import NewFilmError

_UNCONFIRMED = ("model", "reopened by")
"""How a source begins, or what it holds, where no person answers for the number."""


@dataclass(frozen=True)
class ReportGround:
    """What every report of a run stands on.

    Attributes
    ----------
    run : str
        First digits of the run's identity.
    folder : Path
        Of the run, for its overlays.
    protocol : ReadingProtocol
    limits : DecisionLimits
    hand : HandPlaced
    new_films : mapping of str to NewFilmError
    words : Language
    """

    run: str
    folder: Path
    protocol: ReadingProtocol
    limits: DecisionLimits
    hand: HandPlaced
    new_films: Mapping[str, NewFilmError]
    words: Language

    @property
    def level(self) -> float:
        """Of intervals."""
        return self.limits.interval.level


def report_of(
    person: Person,
    left: tuple[LeftOut, ...],
    ground: ReportGround,
    remarks: str = "",
    signed: Signed | None = None,
) -> list[Block]:
    """The whole report.

    Parameters
    ----------
    person : Person
    left : tuple of LeftOut
        What is in no report; that of this person is named.
    ground : ReportGround
    remarks : str
        What a person writes at its head.
    signed : Signed, optional
        Who wrote it on the page; by the command nobody does.
    """
    words = ground.words
    latest = [foot for side in ("R", "L") if (foot := latest_of(person, side)) is not None]
    blocks: list[Block] = [
        About(words.language, "raysplay visit", words.say("contents"), words.say("page")),
        Heading(words.say("title", person=person.called), 1),
        Paragraph(words.say("device"), caution=True),
        *_signed(person, ground, signed),
        *_remarks(remarks, words),
        Heading(words.say("record")),
        _record(latest, ground),
        Paragraph(words.say("record_below", level=words.number(100 * ground.level, 0), run=ground.run)),
        Heading(words.say("technique")),
        _technique(person, ground),
        *_taking(person, words),
        *_contradicted(person, words),
    ]
    mine = [one for one in left if one.person == person.called]
    if mine:
        told = [words.say("left_out_film", film=one.film, why=words.phrase(one.why)) for one in mine]
        blocks += [Paragraph(words.say("left_out")), Bullets(told)]
    blocks += [NewPage(), Heading(words.say("where"))]
    for foot in latest:
        found = where_it_sits(foot, ground.protocol, ground.limits, ground.hand)
        blocks += [Heading(foot_words(foot, words), 3), Bullets(where_sentences(found, words)), _levels(found, ground)]
    blocks += [Paragraph(words.say("one_film"), caution=True), NewPage(), Heading(words.say("picture"))]
    for foot in latest:
        blocks += [Heading(foot_words(foot, words), 3), *_pictures(foot, ground)]
    blocks += [NewPage(), Heading(words.say("timeline")), *_timelines(person, ground)]
    blocks += [Heading(words.say("grades")), *_grades(latest, words)]
    blocks += [Heading(words.say("cautions")), Bullets([words.say(f"caution_{i}") for i in range(1, 8)])]
    blocks += [Heading(words.say("conversation")), Paragraph(words.say("conversation_about"))]
    facts = [
        f"{words.say(f'about_{one.about}')}: {one.text.get(words.language, one.text['en'])} ({one.source})"
        for one in conversation_facts()
    ]
    return [*blocks, Bullets(facts), Paragraph(words.say("end"), caution=True)]


def latest_of(person: Person, side: str) -> FootOnFilm | None:
    """The foot that the record is about: of the last day, with numbers where there are any, the bare one first, and of
    bare ones the most loaded: what grades and normal ranges are published for is standing feet."""
    feet = person.of_side(side)
    if not feet:
        return None
    last = [one for one in feet if one.taken == feet[-1].taken]

    def order(one: FootOnFilm) -> tuple[bool, bool, int, str]:
        return bool(one.unfit), one.stated.worn not in ("", NOTHING_WORN), by_load(one), one.film.name

    return min(last, key=order)


def unconfirmed_numbers(foot: FootOnFilm) -> list[Shown]:
    """Numbers of a foot that are given and that no person answers for."""
    given = ((one, foot.source(one)) for one in foot.shown if isfinite(one.given[0]))
    return [one for one, source in given if source.startswith(_UNCONFIRMED[0]) or _UNCONFIRMED[1] in source]


def unconfirmed(foot: FootOnFilm) -> bool:
    """Whether a number of a foot is given that no person answers for."""
    return bool(unconfirmed_numbers(foot))


def _signed(person: Person, ground: ReportGround, signed: Signed | None) -> Iterator[Block]:
    """Whether anybody stands for it, and which numbers nobody stands for."""
    if signed is None:
        yield from _unconfirmed(person, ground, said=False)
        return
    yield from not_confirmed(signed, ground.words)
    yield from _unconfirmed(person, ground, said=not signed.confirmed)
    yield told_of(signed, ground.words)


def _remarks(remarks: str, words: Language) -> Iterator[Block]:
    if remarks.strip():
        yield Heading(words.say("letter_remarks"))
        yield Paragraph(remarks.strip())


def _unconfirmed(person: Person, ground: ReportGround, said: bool) -> Iterator[Block]:
    feet = [one for one in person.feet if unconfirmed(one)]
    if feet:
        if not said:
            yield Notice(ground.words.say("unconfirmed"))
        yield Paragraph(
            ground.words.say("unconfirmed_feet", feet="; ".join(foot_words(one, ground.words) for one in feet)),
            caution=True,
        )


def foot_words(foot: FootOnFilm, words: Language) -> str:
    """Side and day of a foot."""
    return words.say("foot_of_day", side=words.say(f"side_{foot.side}"), day=words.day(foot.taken))


def _value(value: float, unit: str, words: Language) -> str:
    return words.number(value, DECIMALS[unit]) if isfinite(value) else words.say("none")


def _unit(unit: str, words: Language) -> str:
    return words.say(f"unit_{unit}")


def _interval(low: float, high: float, unit: str, words: Language) -> str:
    if not (isfinite(low) and isfinite(high)):
        return ""
    return words.say("interval", low=_value(low, unit, words), high=_value(high, unit, words))


def title_of(measure: Measure, words: Language) -> str:
    """A measure by its abbreviation and its name."""
    own = words.messages.get(f"measure_{measure.name}") or words.phrase(measure.title)
    return f"{measure.abbreviation} ({own})"


def _flags(measure: Measure, proven: bool, error: ForeignError | None, words: Language) -> list[str]:
    unproven = [] if proven else [_unproven(measure, error, words)]
    return unproven + [words.say("low_confidence")] * measure.low_confidence


def _unproven(measure: Measure, error: ForeignError | None, words: Language) -> str:
    """How far off a measure is on bones that no generator drew, or that nobody measured it."""
    if error is None:
        tried = any(one.measure == measure.name for one in proofs().trials)
        return words.say("unproven_as_read" if tried else "unproven_never")
    decimals = DECIMALS[measure.unit]
    bias = words.signed(error.bias, decimals) if isfinite(error.bias) else words.say("unknown")
    return words.say(
        "unproven_off",
        mae=f"{words.number(error.mae, decimals)} {_unit(measure.unit, words)}".strip(),
        bias=bias,
        held=words.number(100.0 * error.coverage, 0),
    )


def _record(feet: list[FootOnFilm], ground: ReportGround) -> DataTable:
    words = ground.words
    header = [
        words.say(f"record_{one}") for one in ("foot", "measure", "value", "interval", "method", "source", "remark")
    ]
    rows = []
    for foot in feet:
        for one in foot.shown:
            rows.append([foot_words(foot, words), title_of(one.measure, words), *numbers_of(foot, one, words)])
    return DataTable(words.say("record_caption"), header, rows, frozenset({2}), (12, 20, 7, 13, 8, 16, 16))


def numbers_of(foot: FootOnFilm, one: Shown, words: Language) -> list[str]:
    """A number of a foot in words: value, interval, axis method, who stands for it, remark or why there is none."""
    unit = one.measure.unit
    value, low, high = one.given
    if not isfinite(value):
        return [words.say("none"), "", one.measure.construction, "", words.phrase(one.withheld)]
    source = words.phrase_list(foot.source(one))
    if foot.standing.at and foot.source(one) != "model":
        source += f", {words.day(foot.standing.at[:10])}"
    remark = _flags(one.measure, foot.proven(one.measure), foot.foreign_error(one.measure), words)
    told = f"{_value(value, unit, words)} {_unit(unit, words)}".strip()
    return [told, _interval(low, high, unit, words), one.measure.construction, source, "; ".join(remark)]


def _technique(person: Person, ground: ReportGround) -> DataTable:
    words = ground.words
    names = ("day", "film", "foot", "loading", "worn", "tilt", "surgery", "spacing", "decision", "note")
    rows = []
    for foot in person.feet:
        stated = foot.stated
        tilt = words.say("unknown") if stated.tilt is None else f"{words.number(stated.tilt)} {_unit('deg', words)}"
        decision = words.say(f"decision_{foot.decision}") if foot.decision else ""
        reasons = "; ".join(words.phrase(one) for one in foot.reasons)
        rows.append(
            [
                words.day(foot.taken),
                foot.film.name,
                words.say(f"side_{foot.side}"),
                words.say(f"loading_{foot.loading or 'unknown'}"),
                words.say(f"worn_{stated.worn or 'unknown'}"),
                tilt,
                words.say(f"surgery_{stated.surgery or 'unknown'}"),
                words.phrase(foot.film.spacing),
                f"{decision}{f': {reasons}' if reasons else ''}",
                stated.note,
            ]
        )
    header = [words.say(f"technique_{one}") for one in names]
    return DataTable(words.say("technique_caption"), header, rows, frozenset(), (10, 16, 7, 10, 9, 9, 10, 11, 16, 12))


def _taking(person: Person, words: Language) -> Iterator[Block]:
    """How films were taken beside load and tilt, and whose they are by whom, as far as anybody said it."""
    rows = []
    for film, stated in {one.film.name: one.stated for one in person.feet}.items():
        if not (stated.stance or stated.beam or stated.distance or stated.marker or stated.person_by):
            continue
        by = words.say("person_by", by=stated.person_by) if stated.person_by else ""
        rows.append(
            [
                film,
                words.say(f"stance_{stated.stance or 'unknown'}"),
                words.say(f"beam_{(stated.beam or 'unknown').replace(' ', '_')}"),
                words.say("unknown") if stated.distance is None else f"{words.number(stated.distance, 0)} cm",
                words.say(f"marker_{stated.marker or 'unknown'}"),
                by,
            ]
        )
    if rows:
        header = [words.say(f"taking_{one}") for one in ("film", "stance", "beam", "distance", "marker", "person")]
        yield DataTable(words.say("taking_caption"), header, rows, frozenset(), (18, 18, 16, 12, 16, 20))


def _contradicted(person: Person, words: Language) -> Iterator[Block]:
    told = []
    for foot in person.feet:
        for name, (table, file) in foot.contradicted.items():
            show = words.day if name == "date" else (lambda one: words.say(f"loading_{one}"))
            told.append(words.say(f"contradicted_{name}", film=foot.film.name, table=show(table), file=show(file)))
    if told:
        yield Paragraph(" ".join(told), caution=True)


def where_sentences(found: WhereItSits, words: Language) -> list[str]:
    """Where the deformity of a foot sits, in sentences."""
    if found.foot.unfit:
        return [words.say("where_unfit", why=words.phrase(found.foot.unfit))]
    if found.hva.withheld:
        return [words.say("where_no_hva", why=words.phrase(found.hva.withheld))]
    told = []
    if found.hva.value < 0.0:
        told.append(words.say("where_varus", value=words.number(found.hva.value)))
    missing = [one for one in found.weighed if one.withheld]
    if missing:
        told.append(words.say("where_missing", levels=_names(missing, words)))
    largest = found.largest
    if largest is None:
        if not missing:
            told.append(words.say("where_none"))
    else:
        told.append(words.say("where_largest", **_level_values(largest, words)))
        if found.most is not None:
            share, low = (words.number(100.0 * v, 0) for v in (found.leading.share, found.leading.low))
            told.append(words.say("where_most", level=largest.measure.abbreviation, share=share, low=low))
        elif found.unproven:
            told.append(words.say("where_not_weighed", levels=_names(found.unproven, words)))
        elif not missing:
            told.append(words.say("where_no_lead"))
    for one in found.adducted:
        told.append(words.say("where_adducted", **_level_values(one, words)))
    told.append(words.say("where_shared"))
    return told


def _level_values(level: Level, words: Language) -> dict[str, str]:
    assert level.normal is not None
    flags = _flags(level.measure, level.proven, level.foreign_error, words)
    return {
        "level": level.measure.abbreviation,
        "value": words.number(level.value),
        "low": words.number(level.low),
        "high": words.number(level.high),
        "excess": words.number(abs(level.excess)),
        "least": words.number(
            min(abs(level.excess_low), abs(level.excess_high)) if level.excess_low * level.excess_high > 0 else 0.0
        ),
        "most": words.number(max(abs(level.excess_low), abs(level.excess_high))),
        "normal": _normal(level, words),
        "source": level.normal.cited,
        "flags": f" ({', '.join(flags)})" if flags else "",
    }


def _normal(level: Level, words: Language) -> str:
    if level.normal is None:
        return words.say("normal_unknown")
    low, high = level.normal.low, level.normal.high
    ends = {"low": f"{low:g}".replace(".", words.decimal), "high": f"{high:g}".replace(".", words.decimal)}
    return words.say("normal_range", **{name: end.replace("-", "−") for name, end in ends.items()})


def _names(levels: list[Level] | tuple[Level, ...], words: Language) -> str:
    return ", ".join(one.measure.abbreviation for one in levels)


def _levels(found: WhereItSits, ground: ReportGround) -> DataTable:
    words = ground.words
    header = [
        words.say(f"levels_{one}")
        for one in ("level", "value", "interval", "normal", "excess", "reliability", "source")
    ]
    rows = []
    for one in found.levels:
        unit = one.measure.unit
        reliability = "; ".join(_flags(one.measure, one.proven, one.foreign_error, words)) or words.say("proven")
        if one.withheld:
            reliability = words.phrase(one.withheld)
        excess = _value(one.excess, unit, words) if one.normal is not None else ""
        told = f"{title_of(one.measure, words)}{'' if one.measure.name in RAY else words.say('told_beside')}"
        source = one.normal.cited if one.normal is not None else ""
        rows.append(
            [
                told,
                _value(one.value, unit, words),
                _interval(one.low, one.high, unit, words),
                _normal(one, words),
                excess,
                reliability,
                source,
            ]
        )
    return DataTable(words.say("levels_caption"), header, rows, frozenset({1, 4}), (22, 7, 12, 10, 8, 18, 22))


def _pictures(foot: FootOnFilm, ground: ReportGround) -> Iterator[Block]:
    words = ground.words
    drawn = foot_picture(foot, ground.protocol, words)
    if drawn is None:
        yield Paragraph(words.say("no_drawing"))
    else:
        drawing, moved = drawn
        yield drawing
        unit = words.say("unit_mm") if moved.millimetres else words.say("percent_m2")
        shift = {name: words.number(getattr(moved, name)) for name in ("head", "edge", "tip")}
        yield Paragraph(
            words.say(
                "moved",
                **shift,
                unit=unit,
                hva=words.signed(moved.hva),
                ima=words.signed(moved.ima),
                normal_hva=words.number(NORMAL.hva),
                normal_ima=words.number(NORMAL.ima),
                source=NORMAL.source,
            )
        )
        if (shown := foot.measure("hva")) is not None and normal_ranges()["hva"].excess(shown.given[0]) > 0.0:
            yield Paragraph(words.say("bump"))
    picture, why = overlay_picture(foot, ground.folder, words)
    yield picture if picture is not None else Paragraph(words.say(why))


def _timelines(person: Person, ground: ReportGround) -> Iterator[Block]:
    words = ground.words
    yield Paragraph(words.say("timeline_about"))
    several = False
    for side in ("R", "L"):
        feet = person.of_side(side)
        if len(feet) < 2:
            continue
        several = True
        yield Heading(words.say("side_heading", side=words.say(f"side_{side}")), 3)
        measures = {one.measure.name: one.measure for foot in feet for one in foot.shown}
        positional: list[tuple[Measure, Step]] = []
        for name, measure in measures.items():
            found = timeline(name, feet, ground.new_films, ground.protocol.change, ground.level)
            yield from _one_timeline(found, measure, ground)
            positional += [(measure, step) for step in found.positional]
        yield from pair_sentences(positional, words)
    if not several:
        yield Paragraph(words.say("timeline_one"))
        return
    yield Paragraph(words.say("errors_about"))
    yield Bullets(list(_errors(ground, {one.measure.name for foot in person.feet for one in foot.shown})))


def _one_timeline(found: Timeline, measure: Measure, ground: ReportGround) -> Iterator[Block]:
    words = ground.words
    picture = timeline_picture(
        found, measure.abbreviation, _unit(measure.unit, words), ground.new_films, ground.level, words
    )
    yield Heading(title_of(measure, words), 3)
    if picture is not None:
        yield picture
    yield from _steps(found.steps, measure, "steps", words)
    if found.positional:
        yield Paragraph(words.say("positional_about"), caution=True)
        yield from _steps(found.positional, measure, "positional", words)
    yield Paragraph(_trend(found, measure, words))
    if measure.name not in ground.new_films:
        yield Paragraph(words.say("no_new_film_error", measure=measure.abbreviation), caution=True)


def pair_sentences(positional: Sequence[tuple[Measure, Step]], words: Language) -> Iterator[Block]:
    """What moved and what did not between films of one day that differ in load or in what was worn, over all measures.

    Parameters
    ----------
    positional : sequence of (Measure, Step)
    words : Language
    """
    pairs: dict[tuple[int, int], list[tuple[Measure, Step]]] = {}
    for measure, step in positional:
        if step.change.occasion is Occasion.SAME_DAY:
            pairs.setdefault((step.first.foot, step.second.foot), []).append((measure, step))
    for many in pairs.values():
        first, second = many[0][1].first, many[0][1].second
        told = [words.say("pair_films", first=_of_film(first, words), second=_of_film(second, words))]
        groups: dict[Verdict, list[str]] = {}
        for measure, step in many:
            change = step.change
            number = ""
            if change.verdict is Verdict.BEYOND_ERROR:
                unit = measure.unit
                number = f" {words.signed(change.difference, DECIMALS[unit])} {_unit(unit, words)}".rstrip()
            groups.setdefault(change.verdict, []).append(f"{measure.abbreviation}{number}")
        if Verdict.NOT_COMPARABLE not in groups or len(groups) > 1:
            moved = groups.get(Verdict.BEYOND_ERROR)
            told.append(words.say("pair_moved", moved=", ".join(moved)) if moved else words.say("pair_none_moved"))
        for verdict, key in ((Verdict.WITHIN_ERROR, "pair_still"), (Verdict.NOT_COMPARABLE, "pair_open")):
            if verdict in groups:
                told.append(words.say(key, measures=", ".join(groups[verdict])))
        yield Paragraph(" ".join(told), caution=True)
        if first.loading and second.loading and first.loading != second.loading:
            yield Paragraph(words.say("pair_load"), caution=True)


def _trend(found: Timeline, measure: Measure, words: Language) -> str:
    if found.line is None:
        return words.say(f"no_trend_{found.why_no_line}")
    line = found.line
    told = words.say(
        "trend",
        slope=words.signed(line.per_year, DECIMALS[measure.unit]),
        low=words.signed(line.low, DECIMALS[measure.unit]),
        high=words.signed(line.high, DECIMALS[measure.unit]),
        unit=_unit(measure.unit, words),
        films=str(line.reads),
        all=str(len(found.films)),
    )
    if found.not_stated:
        what = ", ".join(words.say(f"technique_{name}") for name in found.not_stated)
        told = f"{told} {words.say('trend_not_stated', what=what)}"
    return f"{told} {words.say('scattered')}" if found.scattered else told


def _steps(steps: tuple[Step, ...], measure: Measure, caption: str, words: Language) -> Iterator[Block]:
    if not steps:
        return
    header = [words.say(f"step_{one}") for one in ("from", "to", "difference", "interval", "mdc", "verdict")]
    rows = []
    for step in steps:
        change, unit = step.change, measure.unit
        compared = change.verdict is not Verdict.NOT_COMPARABLE
        rows.append(
            [
                _of_film(step.first, words),
                _of_film(step.second, words) + (f" ({words.say('whole')})" if step.whole else ""),
                words.signed(change.difference, DECIMALS[unit]) if compared else words.say("none"),
                words.say(
                    "interval",
                    low=words.signed(change.low, DECIMALS[unit]),
                    high=words.signed(change.high, DECIMALS[unit]),
                )
                if compared
                else "",
                _value(change.mdc, unit, words) if compared else "",
                verdict_words(step, words),
            ]
        )
    yield DataTable(
        words.say(f"{caption}_caption", measure=measure.abbreviation, unit=_unit(measure.unit, words)),
        header,
        rows,
        frozenset({2, 4}),
        (17, 18, 11, 14, 10, 30),
    )


def verdict_words(step: Step, words: Language) -> str:
    """What a difference amounts to, with the reason where it cannot be compared and what is not known of the films."""
    change = step.change
    key = change.verdict.name.lower()
    told = words.say(f"verdict_{key}")
    if change.occasion is Occasion.SAME_DAY and change.verdict is not Verdict.NOT_COMPARABLE:
        told = words.say(f"verdict_positional_{key}")
    elif change.occasion is Occasion.ACROSS_SURGERY:
        told = f"{told}, {words.say('across_surgery')}"
    elif step.first.taken == step.second.taken and change.verdict is not Verdict.NOT_COMPARABLE:
        told = f"{told}, {words.say('repeat_films')}"
    if change.reasons:
        told += ": " + "; ".join(words.phrase(one) for one in change.reasons)
    if change.caveats and not change.reasons:
        told += ". " + words.say("caveats", what="; ".join(words.phrase(one) for one in change.caveats))
    return told


def _of_film(foot: FootOnFilm, words: Language) -> str:
    told = how_taken(foot, words)
    return f"{words.day(foot.taken)} ({told})" if told else words.day(foot.taken)


def how_taken(foot: FootOnFilm, words: Language) -> str:
    """What was worn and how the foot was loaded, by which films of one day are told apart; empty where not stated."""
    worn = foot.stated.worn
    about = [words.say(f"worn_{worn}")] if worn and worn != Worn.NOTHING.value else []
    if foot.loading:
        about.append(words.say(f"load_{foot.loading}"))
    return ", ".join(about)


def _errors(ground: ReportGround, measures: set[str]) -> Iterator[str]:
    words = ground.words
    for name, error in ground.new_films.items():
        if name in measures:
            holds = words.say("error_holds" if error.holds_reading else "error_alone")
            yield words.say(
                "new_film_error",
                measure=by_name(name).abbreviation,
                sd=words.number(error.sd, 2),
                holds=holds,
                basis=words.phrase(error.basis),
                source=error.cited,
            )
    for name in sorted(measures):
        published = reader_error(name)
        if published is not None:
            yield words.say(
                "reader_error",
                measure=by_name(name).abbreviation,
                sem=words.number(published.sem, 2),
                source=published.cited,
            )


def _grades(feet: list[FootOnFilm], words: Language) -> Iterator[Block]:
    yield Paragraph(words.say("grades_about"))
    header = [
        words.say(f"grade_{one}") for one in ("foot", "measure", "scheme", "grade", "border", "distance", "source")
    ]
    rows, conflicts = [], []
    for foot in feet:
        for one in foot.shown:
            found = side_by_side(one)
            if found.conflict:
                conflicts.append(
                    words.say("grade_conflict", foot=foot_words(foot, words), measure=one.measure.abbreviation)
                )
            for by in found.by_scheme:
                given = by.given
                within = words.say("within_error" if given.borderline else "beyond_border_error")
                distance = f"{words.number(given.distance)}, {within}" if isfinite(given.distance) else ""
                grade = words.phrase(given.grade) if given.grade else words.phrase(given.why)
                rows.append(
                    [
                        foot_words(foot, words),
                        one.measure.abbreviation,
                        by.scheme.title,
                        grade,
                        words.number(given.border) if isfinite(given.border) else "",
                        distance,
                        by.scheme.cited,
                    ]
                )
    if not rows:
        yield Paragraph(words.say("grades_none"))
        return
    yield DataTable(words.say("grades_caption"), header, rows, frozenset({4}), (14, 8, 18, 14, 7, 16, 24))
    if conflicts:
        yield Bullets(conflicts)
