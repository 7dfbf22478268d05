"""A run against an earlier one in blocks: what was not read alike comes first, in large letters."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite

from raysplay.configs.reader_error import reader_error
from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.decide.wording import DECIMALS, number, unit_word
from raysplay.infer.overview.changed import Changed, MeasureChange
from raysplay.infer.overview.run_overview import LARGEST, Drift, Overview
from raysplay.infer.overview.same_films import MATCHES, Match
from raysplay.infer.overview.shifted import ALARM, Shifted, ShiftedMeasure
from raysplay.infer.overview.two_samples import FEWEST
from raysplay.infer.overview.words import counted, enumeration, probability, share
from raysplay.infer.records import OUTCOMES
from raysplay.infer.report.document import Block, Bullets, DataTable, Heading, Notice, Paragraph
from raysplay.measure import by_name
from raysplay.measure.definition import Measure
from raysplay.measure.reader_error import minimal_detectable_change

NOT_ALIKE = "NOT READ ALIKE: what differs below may come from the program alone"
NOTHING_CHANGED = "Nothing changed"


def drift_blocks(overview: Overview) -> Iterator[Block]:
    """The section; nothing where the run was compared with none."""
    from raysplay.infer.overview.report import run_words

    drift = overview.drift
    if drift is None:
        return
    yield Heading("Against an earlier run")
    yield Paragraph(
        f"The earlier run is {run_words(drift.before.folder, drift.before.identity, drift.work)}. Films are matched by "
        "their content (SHA-256 of the bytes), whatever they are called; files that gave no film, by name."
    )
    yield from _read_alike(drift)
    yield from _files(drift)
    yield Heading("Films that both runs read", 3)
    yield from _same(drift)
    yield Heading("Films that only this run read, against those of the earlier run", 3)
    yield from _other(drift)


def _read_alike(drift: Drift) -> Iterator[Block]:
    if drift.read_otherwise:
        yield Notice(NOT_ALIKE)
        yield Paragraph(
            "The following is not the same in both runs. Their numbers do not belong into one table, and those of one "
            "do not stand for those of the other."
        )
        yield Bullets(drift.read_otherwise)
    else:
        code = "" if drift.code_unknown else ", code"
        yield Paragraph(f"Weights, configuration, protocol{code} and libraries are the same in both runs.")
    if drift.code_unknown:
        yield Paragraph(
            "Whether both were read by the same code cannot be told: a ledger is missing, or cannot be read.",
            caution=True,
        )


def _files(drift: Drift) -> Iterator[Block]:
    now, before = drift.films.counts(drift.films.now), drift.films.counts(drift.films.before)
    rows = [(match.value, f"{now[match]:,}", f"{before[match]:,}") for match in MATCHES if match.is_pair]
    rows.append((Match.COPY.value, f"{now[Match.COPY]:,}", f"{before[Match.COPY]:,}"))
    rows.append(("in this run only", f"{now[Match.ALONE]:,}", ""))
    rows.append(("gone: in the earlier run only", "", f"{drift.films.gone:,}"))
    rows.append(("all files", f"{sum(now.values()):,}", f"{sum(before.values()):,}"))
    yield DataTable("Every file of both runs once", ("Files", "This run", "Earlier run"), rows, frozenset({1, 2}))
    if drift.films.vanished:
        yield Paragraph(
            f"{counted(drift.films.vanished, 'file')} of this run had vanished when it was last brought up to date; "
            "what was read of them stands in its tables, and is compared."
        )


def _same(drift: Drift) -> Iterator[Block]:
    feet, changed, films = drift.feet, drift.changed, drift.films
    read = sum(count for match, count in films.counts(films.now).items() if match.same_film)
    pairs = len(feet.now)
    if not read:
        yield Paragraph("No film of this run was read by the earlier one.")
        return
    same_feet = not (len(feet.other_side) or feet.only_now or feet.only_before)
    if changed.nothing and same_feet:
        yield Paragraph(
            f"{NOTHING_CHANGED}: {counted(pairs, 'foot', 'feet')} on {counted(read, 'film')} have the same numbers and "
            "the same decisions in both runs."
        )
        return
    if not drift.read_otherwise and not drift.code_unknown:
        yield Paragraph(
            "The same film, read by the same program, gives the same numbers on the same processor with as many "
            "threads; other threads or processors move last digits. Whatever goes beyond that needs an explanation.",
            caution=True,
        )
    yield Paragraph(f"{counted(pairs, 'foot', 'feet')} on {counted(read, 'film')} are compared.")
    if not same_feet:
        yield Paragraph(
            f"Not compared: {counted(len(feet.other_side), 'foot', 'feet')} with another side now, {feet.only_now:,} "
            f"found by this run alone, {feet.only_before:,} found by the earlier run alone."
        )
    rows = [
        (f"{name} before", *(f"{changed.decisions.get((name, after), 0):,}" for after in OUTCOMES)) for name in OUTCOMES
    ]
    yield DataTable(
        f"Decisions of the same feet; {changed.moved_decisions:,} changed",
        ("Feet", *(f"{name} now" for name in OUTCOMES)),
        rows,
        frozenset({1, 2, 3}),
    )
    yield from _not_compared(changed)
    yield DataTable(
        "Numbers of the same feet, now less before",
        (
            "Measure",
            "Feet with both",
            "Changed",
            "Mean change (95 % interval)",
            "Outside of the earlier interval",
            "Beyond reading error",
            "Number before only",
            "Number now only",
        ),
        [_row(one) for one in changed.measures],
        frozenset(range(1, 8)),
    )
    errors = [_error_words(one) for one in changed.measures if one.error is not None]
    yield Bullets(
        [
            "Mean change: over all feet, also those that did not change; its interval is over persons (films of one "
            "person stay together). It tells whether the reader leans, not how far single feet moved.",
            "Outside of the earlier interval: the number lies where the earlier run held it unlikely.",
            *errors,
            *(
                f"{one.measure.abbreviation}: no published error of reading is known, so none can be exceeded."
                for one in changed.measures
                if one.error is None
            ),
        ]
    )
    for one in changed.measures:
        if one.largest:
            yield _largest(one)


def _not_compared(changed: Changed) -> Iterator[Block]:
    for names, why in (
        (changed.other_construction, "built by another construction now, so that its numbers are not interchangeable"),
        (changed.only_now, "reported by this run alone"),
        (changed.only_before, "reported by the earlier run alone"),
    ):
        if names:
            yield Paragraph(f"Not compared: {enumeration([by_name(name).abbreviation for name in names])}; {why}.")


def _row(one: MeasureChange) -> tuple[str, ...]:
    return (
        f"{one.measure.abbreviation} ({unit_word(one.measure.unit)})",
        f"{one.compared:,}",
        f"{one.changed:,} ({share(one.changed, one.compared)})" if one.compared else "0",
        estimate_words(one.bias, one.measure),
        f"{one.outside:,} ({share(one.outside, one.compared)})" if one.compared else "0",
        "no published error" if one.beyond is None else f"{one.beyond:,} ({share(one.beyond, one.compared)})",
        f"{one.lost:,}",
        f"{one.gained:,}",
    )


def estimate_words(estimate: Estimate, measure: Measure) -> str:
    """A difference with its interval, signed, one decimal more than numbers of a measure have; empty where unknown."""
    if not isfinite(estimate.value):
        return ""
    digits = DECIMALS[measure.unit] + 1

    def signed(value: float) -> str:
        return f"{round(value, digits) + 0.0:+.{digits}f}"

    if not isfinite(estimate.low):
        return f"{signed(estimate.value)} (no interval: {estimate.why})"
    return f"{signed(estimate.value)} ({signed(estimate.low)} to {signed(estimate.high)})"


def _error_words(one: MeasureChange) -> str:
    assert one.error is not None
    limit = minimal_detectable_change(one.error.sem)
    return (
        f"Beyond reading error: {one.measure.abbreviation} changed by more than {limit:.1f} "
        f"{unit_word(one.measure.unit)}, which two readings of one film by a person stay within in 19 of 20 films (by "
        f"{one.error.cited})."
    )


def _largest(one: MeasureChange) -> DataTable:
    unit = one.measure.unit
    return DataTable(
        f"Largest changes of {one.measure.abbreviation}, {unit_word(unit)}"
        + (f"; the first {LARGEST} of {one.changed:,}" if one.changed > LARGEST else ""),
        ("File", "Foot", "Before", "Now", "Change", "Decision before", "Decision now"),
        [
            (
                row.film if row.film == row.film_before else f"{row.film} (before: {row.film_before})",
                row.foot,
                number(row.before, unit),
                number(row.now, unit),
                f"{row.change:+.{DECIMALS[unit]}f}",
                row.decision_before,
                row.decision,
            )
            for row in one.largest
        ],
        frozenset({2, 3, 4}),
    )


def _other(drift: Drift) -> Iterator[Block]:
    other = drift.shifted
    if other is None:
        yield Paragraph("There are none, or the earlier run read no film: there are no two groups to compare.")
        return
    old, new = other.films
    yield Paragraph(
        f"{counted(new, 'new film')} of {counted(other.persons[1], 'person')} against {counted(old, 'film')} of "
        f"{counted(other.persons[0], 'person')}. A person counts once: a number is the mean of a person's measured "
        "feet, a decision the worst of a person's films; a film of nobody named counts as one person."
    )
    if other.in_both:
        yield Paragraph(f"New films of {counted(other.in_both, 'person')} whom the earlier run has, too, are left out.")
    else:
        yield Paragraph(
            "Whether a person has films in both groups cannot be told where codes of persons are made by another key."
        )
    if not other.enough:
        yield Paragraph(
            f"No test was made: it takes {FEWEST} persons in either group, and more than one decision for decisions."
        )
    yield _shift_table(other)
    yield _decision_table(other)
    if other.enough:
        yield Paragraph(
            f"The p values are corrected for the number of tests (Holm): if both groups came from one population and "
            f"were read alike, any of them would fall below {ALARM:g} once in {round(1 / ALARM)} such reports."
        )
        yield Bullets([*(said for one in other.measures if (said := meaning(one, drift))), *_decision_meaning(other)])
        yield Paragraph(
            "What a difference does not mean: that the program reads worse, or that feet changed. Other persons, other "
            "referral, age, technique or equipment give other numbers. What no difference does not mean: that both are "
            "the same; few persons hide a difference, and the intervals above say how large a one.",
            caution=True,
        )
    for by, counts in other.holds.items():
        if any(name != "not stated" for name in counts):
            yield _holds(by, counts, other.films)


def _shift_table(other: Shifted) -> DataTable:
    rows: list[Sequence[str]] = []
    for one in other.measures:
        unit = one.measure.unit
        rows.append(
            (
                f"{one.measure.abbreviation} ({unit_word(unit)})",
                *(f"{count:,}" for count in one.persons),
                *("" if not isfinite(median) else number(median, unit) for median in one.medians),
                estimate_words(one.difference, one.measure),
                f"{one.test.name}, D {one.test.statistic:.3f}" if one.test else "",
                probability(one.corrected) if one.test else "",
            )
        )
    head = (
        "Measure",
        "Persons before",
        "Persons new",
        "Median before",
        "Median new",
        "Difference (95 % interval)",
        "Test",
        "Corrected p",
    )
    return DataTable("Numbers of new films against those of the earlier run", head, rows, frozenset({1, 2, 3, 4, 5, 7}))


def _decision_table(other: Shifted) -> DataTable:
    test = other.decisions_test
    caption = "Decisions on new films against those of the earlier run"
    if test is not None:
        caption += f"; {test.name} {test.statistic:.2f}, corrected p {probability(other.decisions_corrected)}"
    rows = [
        (name, *(f"{pair[k]:,} ({share(pair[k], other.persons[k])})" if other.persons[k] else "0" for k in (0, 1)))
        for name, pair in other.decisions.items()
    ]
    return DataTable(caption, ("Worst decision", "Persons before", "Persons new"), rows, frozenset({1, 2}))


def meaning(one: ShiftedMeasure, drift: Drift) -> str:
    """What a test of a measure says, in a sentence; empty where none was made."""
    if one.test is None:
        return ""
    measure, difference = one.measure, one.difference
    digits, unit = DECIMALS[measure.unit] + 1, unit_word(measure.unit)
    if not one.differs:
        reach = max(abs(difference.low), abs(difference.high))
        return (
            f"{measure.abbreviation}: no difference of the distributions was found (p {probability(one.corrected)}). A "
            f"shift of the median by up to {reach:.{digits}f} {unit} would fit these numbers, too."
        )
    said = (
        f"{measure.abbreviation}: the distributions differ by more than chance explains (p "
        f"{probability(one.corrected)}). "
    )
    ends = f"({difference.low:+.{digits}f} to {difference.high:+.{digits}f})"
    if difference.low <= 0.0 <= difference.high:
        said += f"It need not be the median: this differs by {difference.value:+.{digits}f} {unit} {ends}."
    else:
        way = "higher" if difference.value > 0.0 else "lower"
        said += f"The median of the new films is {abs(difference.value):.{digits}f} {unit} {way} {ends}."
    error = reader_error(measure.name)
    if error is not None and abs(difference.value) < error.sem:
        said += f" That is less than the error of one human reading ({error.sem:.1f} {unit})."
    if drift.read_otherwise:
        said += " The runs were not read alike: the program alone may have made it."
    return said


def _decision_meaning(other: Shifted) -> Iterator[str]:
    if other.decisions_test is None:
        return
    if other.decisions_differ:
        yield (
            "Decisions: their shares differ by more than chance explains (p "
            f"{probability(other.decisions_corrected)}). Look first at the reasons that became more frequent."
        )
    else:
        yield f"Decisions: no difference of their shares was found (p {probability(other.decisions_corrected)})."


def _holds(by: str, counts: Mapping[str, tuple[int, int]], films: tuple[int, int]) -> DataTable:
    return DataTable(
        f"Films by {by}, as the files state it",
        (by, "Earlier run", "New films"),
        [
            (name, *(f"{pair[k]:,} ({share(pair[k], films[k])})" if films[k] else "0" for k in (0, 1)))
            for name, pair in counts.items()
        ],
        frozenset({1, 2}),
    )
